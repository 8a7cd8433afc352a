"""Readings to runs and energy: every source, every cadence, and all that counters do."""

from __future__ import annotations

import random
from collections.abc import Iterable
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from forecaster.domain.quantities import RUN_SOURCES, Quantity
from forecaster.domain.readings import Reading
from forecaster.domain.runs import Run, Supply
from forecaster.domain.site import Pack, Pump, Site
from forecaster.segment import EnergyCounter, Rhythm, Segmenter
from forecaster.segment.counter import CounterStep
from forecaster.segment.levels import Levels
from forecaster.segment.tracker import Tracker
from tests.forecaster.cellar import START, Truth, counted, in_order, on_change, pumping, reading, sampled, site

HOURS = 12.0


def segmented(
    items: Iterable[Reading], at: Site | None = None, supply: Supply = Supply.MAINS
) -> tuple[Segmenter, list[Run]]:
    segmenter = Segmenter.of(site(*RUN_SOURCES) if at is None else at)
    runs: list[Run] = []
    for item in items:
        runs += segmenter.feed(item.time_ms, item.quantity, item.value, supply)
    return segmenter, runs


@pytest.mark.parametrize("every_s", [1.0, 2.0, 3.0, 5.0])
def test_every_run_is_found_and_energy_is_right_at_fine_sampling(every_s: float) -> None:
    truth = pumping(HOURS)
    segmenter, runs = segmented(sampled(truth, HOURS, every_s, jitter_s=0.2 * every_s))
    assert abs(len(runs) - len(truth.runs)) <= 1
    assert sum(run.run_s for run in runs) / len(runs) == pytest.approx(10.0, rel=0.02)
    assert segmenter.meter.total_wh == pytest.approx(truth.energy_wh, rel=0.02)
    assert segmenter.running_w == pytest.approx(480.0, rel=0.01)
    assert all(run.source is Quantity.PUMP_POWER for run in runs)


@pytest.mark.parametrize("quantity", [Quantity.PUMP_POWER, Quantity.PUMP_RUNNING, Quantity.PIT_FLOAT])
def test_reports_on_change_give_exact_runs(quantity: Quantity) -> None:
    truth = pumping(HOURS, cycle_s=700.0, slop=0.1)
    segmenter, runs = segmented(on_change(truth, HOURS, quantity))
    assert segmenter.trackers[quantity].rhythm.on_change
    settled = runs[8:]
    assert len(runs) == len(truth.runs)
    assert all(run.measured for run in settled)
    for run, (start, stop) in zip(settled, truth.runs[8:], strict=True):
        assert run.start_ms == pytest.approx(START + start * 1000.0, abs=2)
        assert run.stop_ms == pytest.approx(START + stop * 1000.0, abs=2)
    assert segmenter.meter.total_wh == pytest.approx(truth.energy_wh, rel=0.02)


def test_a_current_is_read_as_power_by_the_power_factor() -> None:
    truth = pumping(HOURS)
    plate = Pump(rated_voltage_v=115.0, rated_current_a=(5.2, 5.2), rated_power_w=480.0, power_factor=0.8)
    amperes = 480.0 / (115.0 * 0.8)
    segmenter, runs = segmented(
        sampled(truth, HOURS, 5.0, Quantity.PUMP_CURRENT, scale=amperes / 480.0),
        site(Quantity.PUMP_CURRENT, pump=plate),
    )
    assert abs(len(runs) - len(truth.runs)) <= 1
    assert segmenter.meter.total_wh == pytest.approx(truth.energy_wh, rel=0.02)


def test_a_nameplate_far_off_is_unlearnt() -> None:
    truth = Truth(pumping(HOURS).runs, watts=150.0, standby_w=1.5)
    segmenter, runs = segmented(sampled(truth, HOURS, 2.0), site(Quantity.PUMP_POWER, pump=Pump(rated_power_w=1100.0)))
    assert len(runs) > 0.8 * len(truth.runs)
    assert segmenter.running_w == pytest.approx(148.5, rel=0.05)


def test_a_fridge_on_the_pack_is_no_pump() -> None:
    truth = pumping(HOURS)
    items = []
    for item in sampled(truth, HOURS, 5.0, Quantity.PACK_OUTPUT_POWER):
        fridge = 95.0 if (item.time_ms - START) // 1000 % 3600 < 1300 else 0.0
        items.append(Reading(item.site, item.quantity, item.time_ms, item.value + fridge + 12.0, item.arrived_ms))
    segmenter, runs = segmented(items, site(Quantity.PACK_OUTPUT_POWER))
    assert len(runs) == pytest.approx(len(truth.runs), rel=0.02)
    assert segmenter.meter.total_wh == pytest.approx(truth.energy_wh, rel=0.04)


def test_the_best_source_that_is_heard_is_believed_and_the_next_best_steps_in() -> None:
    truth = pumping(HOURS)
    silent_from = START + 4 * 3_600_000
    power = [item for item in sampled(truth, HOURS, 5.0) if item.time_ms < silent_from]
    floats = list(on_change(truth, HOURS, Quantity.PIT_FLOAT, heartbeat_s=60.0))
    segmenter, runs = segmented(in_order(power, floats))
    early = [run for run in runs if run.stop_ms < silent_from]
    late = [run for run in runs if run.start_ms > silent_from]
    assert all(run.source is Quantity.PUMP_POWER for run in early)
    assert late
    assert all(run.source is Quantity.PIT_FLOAT for run in late)
    assert len(runs) == pytest.approx(len(truth.runs), abs=2)
    assert segmenter.meter.total_wh == pytest.approx(truth.energy_wh, rel=0.02)
    back = in_order(
        power, floats, [item for item in sampled(truth, HOURS, 5.0) if item.time_ms > silent_from + 3_600_000]
    )
    assert segmented(back)[1][-1].source is Quantity.PUMP_POWER, "and gives way when the best is back"


def test_a_run_seen_in_fewer_than_two_samples_is_a_bound() -> None:
    _, runs = segmented(sampled(pumping(HOURS, cycle_s=400.0, slop=0.1), HOURS, 8.0))
    single = [run for run in runs if run.samples < 2]
    assert single
    assert not any(run.measured for run in single)
    assert all(run.start_censored and run.stop_censored for run in single)
    assert any(run.measured for run in runs)


@pytest.mark.parametrize("phase_s", [0.0, 25.0, 7.0])
def test_sampling_locked_to_the_pump_is_mended_by_the_counter(phase_s: float) -> None:
    """A run of 10 s every 60 s, sampled every 60 s: the power always or never shows it; the counter knows."""
    truth = Truth(tuple((20.0 + 60.0 * k, 30.0 + 60.0 * k) for k in range(int(HOURS * 60) - 1)))
    items = in_order(
        sampled(truth, HOURS, 60.0, phase_s=phase_s), counted(truth, HOURS, 60.0, phase_s=phase_s, step_wh=0.01)
    )
    segmenter, _ = segmented(items)
    assert segmenter.meter.total_wh == pytest.approx(truth.energy_wh, rel=0.02)
    assert segmenter.coarse(items[-1].time_ms)


@pytest.mark.parametrize(("every_s", "step_wh"), [(30.0, 0.1), (60.0, 0.1), (60.0, 1.0), (60.0, 10.0)])
def test_energy_with_a_counter_at_coarse_sampling(every_s: float, step_wh: float) -> None:
    hours = 48.0
    truth = pumping(hours, cycle_s=230.0, slop=0.05)
    segmenter, runs = segmented(
        in_order(sampled(truth, hours, every_s), counted(truth, hours, every_s, step_wh=step_wh))
    )
    assert segmenter.meter.total_wh == pytest.approx(truth.energy_wh, rel=0.02, abs=step_wh)
    if step_wh <= 0.1:
        assert len(runs) == pytest.approx(len(truth.runs), rel=0.05), "runs are told from its steps"


@pytest.mark.slow
def test_energy_over_fifty_days_at_a_minute_with_a_counter() -> None:
    """Fifty days, the pump's pace wandering four-fold: energy from the counter within 2 %, cycles from its steps."""
    dice = random.Random(3)
    runs, at_s, cycle_s = [], 30.0, 300.0
    while at_s < 50 * 86_400.0:
        runs.append((at_s, at_s + 12.0 * (1.0 + 0.02 * dice.gauss(0.0, 1.0))))
        cycle_s = min(max(cycle_s * (1.0 + 0.03 * dice.gauss(0.0, 1.0)), 150.0), 600.0)
        at_s += cycle_s
    truth, hours = Truth(tuple(runs)), 50 * 24.0
    items = in_order(sampled(truth, hours, 60.0), counted(truth, hours, 60.0))
    segmenter, found = segmented(items)
    assert segmenter.meter.total_wh == pytest.approx(truth.energy_wh, rel=0.02)
    assert len(found) == pytest.approx(len(truth.runs), rel=0.02)


def test_nothing_is_integrated_over_a_gap() -> None:
    truth = pumping(HOURS)
    first_off = int(truth.runs[30][0] * 1000) + START + 4_000
    items = [item for item in sampled(truth, HOURS, 2.0) if not first_off < item.time_ms < first_off + 3_600_000]
    segmenter, runs = segmented(items)
    heard = truth.energy_wh * 11.0 / 12.0
    assert segmenter.meter.total_wh == pytest.approx(heard, rel=0.03)
    assert segmenter.meter.blind_ms == pytest.approx(3_600_000, abs=5_000)
    cut = [run for run in runs if run.stop_censored and run.samples >= 2]
    assert len(cut) == 1
    assert cut[0].run_s < 10.0


def test_the_counter_knows_what_was_used_in_a_gap() -> None:
    truth = pumping(HOURS)
    items = [
        item
        for item in in_order(sampled(truth, HOURS, 5.0), counted(truth, HOURS, 10.0))
        if not START + 14_400_000 < item.time_ms < START + 18_000_000
    ]
    segmenter, _ = segmented(items)
    assert segmenter.meter.total_wh == pytest.approx(truth.energy_wh, rel=0.01)
    assert segmenter.meter.blind_ms == 0


@pytest.mark.parametrize(
    ("before", "after", "step", "used"),
    [
        (5_000.0, 5_001.5, CounterStep.COUNTED, 1.5),
        (5_000.0, 4_999.98, CounterStep.JITTER, 0.0),
        (5_000.0, 0.4, CounterStep.RESET, 0.4),
        (99_999.7, 0.5, CounterStep.WRAPPED, 0.8),
        (2.0**32 * 0.001 - 0.5, 0.25, CounterStep.WRAPPED, 0.75),
        (5_000.0, 9_000.0, CounterStep.JUMPED, None),
        (5_000.0, 3_000.0, CounterStep.JUMPED, None),
    ],
)
def test_what_a_counter_did(before: float, after: float, step: CounterStep, used: float | None) -> None:
    counter = EnergyCounter(Rhythm(), greatest_w=1_200.0, resolution_wh=0.1)
    counter.feed(START, before)
    assert counter.feed(START + 10_000, after)[1] == (None if used is None else pytest.approx(used, abs=1e-6))
    assert counter.step is step


def test_a_jump_is_believed_as_a_new_level_once_it_goes_on_and_a_glitch_is_forgotten() -> None:
    counter = EnergyCounter(Rhythm(), greatest_w=1_200.0, resolution_wh=0.1)
    values = [5_000.0, 5_001.0, 9_000.0, 5_002.0, 3_000.0, 3_001.0, 3_002.0]
    used = [counter.feed(START + 10_000 * index, value)[1] for index, value in enumerate(values)]
    assert used == [None, 1.0, None, 1.0, None, None, 1.0]


@pytest.mark.parametrize("step_wh", [2.0, 10.0, 100.0])
@pytest.mark.parametrize("every_s", [2.0, 10.0, 60.0])
def test_a_coarse_counter_is_counted_from_the_step_that_recurs(step_wh: float, every_s: float) -> None:
    """Whatever the step, a counter read often loses one step at most: the first, which nothing tells from a jump."""
    truth = pumping(26.0)
    segmenter, _ = segmented(counted(truth, 26.0, every_s, step_wh=step_wh))
    assert segmenter.meter.total_wh == pytest.approx(truth.energy_wh, abs=2.1 * step_wh)


@pytest.mark.parametrize("step_wh", [2.0, 10.0])
def test_a_coarse_counter_beside_a_fine_power_takes_nothing_away(step_wh: float) -> None:
    truth = pumping(26.0)
    segmenter, _ = segmented(in_order(sampled(truth, 26.0, 5.0), counted(truth, 26.0, 10.0, step_wh=step_wh)))
    assert segmenter.meter.total_wh == pytest.approx(truth.energy_wh, rel=0.02, abs=1.1 * step_wh)
    assert segmenter.meter.blind_ms < 60_000


def test_a_jump_that_recurs_is_no_step_where_the_pump_cannot_have_used_it() -> None:
    counter = EnergyCounter(Rhythm(), greatest_w=1_200.0)
    values = [5_000.0, 5_000.0, 5_050.0, 5_050.0, 5_100.0, 5_100.0]
    used = [counter.feed(START + 10_000 * index, value)[1] for index, value in enumerate(values)]
    assert used == [None, 0.0, None, None, None, None]


def test_jitter_is_not_counted_twice() -> None:
    counter = EnergyCounter(Rhythm(), greatest_w=1_200.0, resolution_wh=0.01)
    values = [100.0, 100.05, 100.03, 100.05, 100.04, 100.06]
    total = sum(counter.feed(START + 10_000 * index, value)[1] or 0.0 for index, value in enumerate(values))
    assert total == pytest.approx(0.06)


def test_a_reset_in_the_middle_loses_nothing_but_the_interval() -> None:
    truth = pumping(HOURS)
    items = []
    for item in counted(truth, HOURS, 10.0):
        offset = 0.0 if item.time_ms < START + 21_600_000 else -(5_000.0 + round(truth.used_wh(21_600.0), 1))
        items.append(Reading(item.site, item.quantity, item.time_ms, max(item.value + offset, 0.0), item.arrived_ms))
    segmenter, _ = segmented(items)
    assert segmenter.meter.total_wh == pytest.approx(truth.energy_wh, rel=0.01)


def test_power_pinned_at_the_packs_rating_is_clipped() -> None:
    truth = Truth(pumping(2.0).runs, watts=600.0)
    rated = site(Quantity.PUMP_POWER, pack=Pack(capacity_wh=720.0, continuous_w=600.0), pump=Pump(rated_power_w=800.0))
    _, on_pack = segmented(sampled(truth, 2.0, 2.0), rated, Supply.PACK)
    assert all(run.clipped for run in on_pack)
    _, on_mains = segmented(sampled(truth, 2.0, 2.0), rated, Supply.MAINS)
    assert not any(run.clipped for run in on_mains)
    roomy = site(Quantity.PUMP_POWER, pack=Pack(capacity_wh=720.0, continuous_w=900.0))
    assert not any(run.clipped for run in segmented(sampled(truth, 2.0, 2.0), roomy, Supply.PACK)[1])


readings_of_any_kind = st.lists(
    st.tuples(
        st.sampled_from(RUN_SOURCES),
        st.integers(0, 200),
        st.one_of(st.just(0.0), st.just(1.0), st.floats(-20.0, 2_000.0), st.just(480.0)),
    ),
    max_size=120,
)


@settings(max_examples=150, deadline=None)
@given(readings_of_any_kind)
def test_runs_never_overlap_whatever_is_heard(steps: list[tuple[Quantity, int, float]]) -> None:
    segmenter = Segmenter.of(site(*RUN_SOURCES))
    at_s = dict.fromkeys(RUN_SOURCES, 0)
    clock, last_stop = 0, 0
    for quantity, wait, value in steps:
        clock = max(clock + wait, at_s[quantity] + 1)
        at_s[quantity] = clock
        for run in segmenter.feed(START + clock * 1000, quantity, value, Supply.MAINS):
            assert last_stop <= run.start_ms <= run.stop_ms <= START + clock * 1000
            assert run.energy_wh is None or run.energy_wh >= 0.0
            last_stop = run.stop_ms
        assert 0.0 <= segmenter.meter.total_wh < 1e6


def test_what_beats_between_its_changes_is_missed_soon_however_many_gaps_there_were() -> None:
    """Reports on change with a beat a minute: two gaps of a quarter of an hour are no part of its rhythm."""
    tracker = Tracker(Rhythm(), Levels(480.0))
    now = 0
    for minute in range(1, 2_000):
        now += 900_000 if minute in (500, 1_000) else 60_000
        tracker.feed(now, 0.4, 0.4)
        if minute % 10 == 0:
            for after_ms, watts in ((7_000, 480.0), (9_000, 470.0), (17_000, 0.4)):
                tracker.feed(now + after_ms, watts, watts)
            now += 17_000
    assert tracker.rhythm.on_change
    assert tracker.rhythm.silence_ms < 900_000 / 2


def test_one_message_in_a_thousand_does_not_make_a_gap() -> None:
    rhythm = Rhythm()
    for second in range(0, 6_000, 10):
        rhythm.heard(START + second * 1000, 0.0)
    assert 15_000 <= rhythm.gap_ms <= 60_000
    assert not rhythm.silent(START + 6_000_000 + 60_000)
    assert rhythm.silent(START + 6_000_000 + 120_000)
    assert Rhythm(stated_ms=5_000).silence_ms == 5_000


def test_an_item_of_energy_is_told_once() -> None:
    segmenter, _ = segmented([reading(Quantity.PUMP_ENERGY, 0.0, 10.0), reading(Quantity.PUMP_ENERGY, 60.0, 12.0)])
    assert segmenter.meter.total_wh == pytest.approx(2.0)


@pytest.mark.parametrize(("rated_w", "mean_w", "counted"), [(1_200, 2_500, True), (1_200, 3_500, False),
                                                            (200, 900, True), (200, 1_300, False)])  # fmt: skip
def test_a_counter_is_believed_up_to_two_and_a_half_times_the_pump(rated_w: int, mean_w: int, counted: bool) -> None:
    """Over ten minutes, 1,000 W at the least; what rises faster is a jump (this project's own choice)."""
    made = replace(site(Quantity.PUMP_ENERGY), pump=Pump(rated_voltage_v=115, rated_power_w=rated_w))
    at = [reading(Quantity.PUMP_ENERGY, 600.0 * k, 5_000.0 + mean_w * k / 6.0) for k in range(2)]
    segmenter, _ = segmented(at, made)
    assert segmenter.meter.total_wh == pytest.approx(mean_w / 6.0 if counted else 0.0)
