"""The books of pump energy: a counter anchors, the others fill in, and each is held against the other."""

from __future__ import annotations

import pytest

from forecaster.segment import EnergyCounter, Meter, Rhythm
from forecaster.segment.counter import CounterRuns, CounterStep
from forecaster.segment.levels import Levels

MINUTE = 60_000


def told(meter: Meter, pairs: list[tuple[float, float]]) -> None:
    """What the others told and then the counter, interval by interval [Wh]."""
    for others, counter in pairs:
        meter.add(others, 0)
        meter.count(MINUTE, counter, 1.0, covered=True)


def test_a_new_meter_has_booked_nothing() -> None:
    meter = Meter()
    assert (meter.total_wh, meter.blind_ms, meter.scale, meter.disagreement, meter.ticks) == (0.0, 0, 1.0, 0.0, 0)
    meter.add(3.0, 500)
    assert (meter.total_wh, meter.blind_ms) == (3.0, 500)
    meter.mend(-1.0)
    assert meter.total_wh == pytest.approx(2.0)


def test_the_counter_stands_over_what_the_others_told() -> None:
    meter = Meter()
    told(meter, [(1.0, 2.0)])
    assert meter.total_wh == pytest.approx(2.0)
    meter.add(5.0, 0)
    meter.count(MINUTE, 0.0, 1.0, covered=True)
    assert meter.total_wh == pytest.approx(3.0), "while it stands still at most one step can have been used"
    meter.count(MINUTE, None, 1.0, covered=True)
    assert meter.total_wh == pytest.approx(3.0), "what a counter cannot tell stays as it was told"
    meter.count(MINUTE, None, 1.0, covered=False)
    assert meter.blind_ms == MINUTE


@pytest.mark.parametrize(("others", "counter", "share"), [(2.0, 2.0, 0.0), (1.0, 2.0, 0.5), (2.0, 1.0, 0.5)])
def test_disagreement_comes_to_the_share_by_which_they_differ(others: float, counter: float, share: float) -> None:
    """|difference| over the greater of the two; an exponential mean of a constant is that constant."""
    meter = Meter()
    meter.scale = 1.0
    for _ in range(400):
        meter.add(others, 0)
        meter.since_tick_blind = False
        meter.count(MINUTE, counter, 1.0, covered=True)
        meter.scale, meter.counter_wh, meter.told_wh = 1.0, 0.0, 0.0
    assert meter.disagreement == pytest.approx(share, abs=0.01)
    assert meter.ticks == 400


def test_a_wrong_running_power_is_mended_by_the_counter() -> None:
    meter = Meter()
    told(meter, [(0.0, 1.0)] + [(1.0, 1.25)] * 300)
    assert meter.scale == pytest.approx(1.25, rel=0.01)
    before = meter.total_wh
    meter.add(4.0, 0)
    assert meter.total_wh - before == pytest.approx(5.0, rel=0.01)


def test_the_scale_is_the_ratio_of_what_both_told_from_the_first_twenty_watt_hours_on() -> None:
    """The share is taken from 20 Wh on (this project's own choice), and of nothing but what was told."""
    meter = Meter()
    told(meter, [(1.0, 1.0), (19.0, 22.8)])
    assert meter.scale == 1.0
    told(meter, [(1.0, 2.2)])
    assert meter.scale == pytest.approx(25.0 / 20.0)


@pytest.mark.parametrize(("ratio", "left"), [(0.6, 0.0), (1.8, 0.0), (0.4, 0.2), (2.5, 0.2)])
def test_once_the_scale_is_known_they_agree_from_a_half_to_the_double(ratio: float, left: float) -> None:
    """Beyond that the scale alone does not explain the others: 0.4 against 0.5, and 2.5 against 2, differ by 20 %."""
    meter = Meter()
    told(meter, [(10.0, 10.0 * ratio)] * 400)
    assert meter.scale == pytest.approx(ratio, rel=0.01)
    assert meter.disagreement == pytest.approx(left, abs=0.01)


def test_the_scale_follows_a_change_for_what_was_long_ago_is_halved() -> None:
    """From 500 Wh on each halving leaves old energy half its weight: after 3,000 Wh a new ratio stands."""
    meter = Meter()
    told(meter, [(10.0, 10.0)] * 60 + [(10.0, 12.0)] * 300)
    assert meter.scale == pytest.approx(1.2, abs=0.005)
    assert 250.0 <= meter.told_wh <= 500.0
    assert meter.counter_wh / meter.told_wh == pytest.approx(1.2, abs=0.005)


@pytest.mark.parametrize(("intervals", "bound"), [(1, True), (2, False), (3, False)])
def test_a_run_of_one_interval_of_a_counter_is_a_bound_at_both_edges(intervals: int, bound: bool) -> None:
    """As with samples: one says that the pump ran, two say how long."""
    one, runs = counter(), CounterRuns(quantum_wh=4.0)
    one.resolution_wh = 0.1
    for minute in range(1, intervals + 1):
        runs.feed(one, minute * MINUTE, MINUTE, 4.0 / intervals, 480.0)
    (found,) = runs.feed(one, (intervals + 1) * MINUTE, MINUTE, 0.0, 480.0)
    assert (found.samples, found.start_censored, found.stop_censored) == (intervals, bound, bound)


def test_runs_that_a_counter_ran_together_are_bounds() -> None:
    """8 Wh of 4 Wh runs are two, of which no interval shows where one ends; less than 0.3 of a run is none."""
    one, runs = counter(), CounterRuns(quantum_wh=4.0)
    one.resolution_wh = 0.1
    for minute in (1, 2, 3):
        runs.feed(one, minute * MINUTE, MINUTE, 8.0 / 3.0, 480.0)
    found = runs.feed(one, 4 * MINUTE, MINUTE, 0.0, 480.0)
    assert [(d.samples, d.start_censored, d.stop_censored) for d in found] == [(0, True, True)] * 2
    for used_wh, many in ((1.1, 0), (1.3, 1)):
        runs.feed(one, 11 * MINUTE, MINUTE, used_wh, 480.0)
        assert len(runs.feed(one, 12 * MINUTE, MINUTE, 0.0, 480.0)) == many


def test_a_run_is_never_longer_than_the_time_in_which_the_counter_rose() -> None:
    """8 Wh at 240 W would be two minutes; the counter rose within one."""
    one, runs = counter(), CounterRuns(quantum_wh=8.0)
    one.resolution_wh = 0.1
    runs.feed(one, MINUTE, MINUTE, 8.0, 240.0)
    (found,) = runs.feed(one, 2 * MINUTE, MINUTE, 0.0, 240.0)
    assert (found.start_ms, found.stop_ms) == (0, MINUTE)


def test_a_counter_coarser_than_half_a_run_tells_no_runs() -> None:
    for resolution_wh, many in ((1.9, 1), (2.1, 0), (None, 0)):
        one, runs = counter(), CounterRuns(quantum_wh=4.0)
        one.resolution_wh = resolution_wh
        runs.feed(one, MINUTE, MINUTE, 4.0, 480.0)
        assert len(runs.feed(one, 2 * MINUTE, MINUTE, 0.0, 480.0)) == many


def test_a_run_told_by_a_counter_lies_in_the_middle_of_the_time_in_which_it_rose() -> None:
    """4 Wh at 480 W are 30 s, in the middle of the minute; 8 Wh in two minutes are two such runs."""
    one, runs = counter(), CounterRuns(quantum_wh=4.0)
    one.resolution_wh = 0.1
    for used_wh, minutes, starts_s in ((4.0, (1,), (15.0,)), (8.0, (11, 12), (615.0, 675.0))):
        for minute in minutes:
            runs.feed(one, minute * MINUTE, MINUTE, used_wh / len(minutes), 480.0)
        found = runs.feed(one, (minutes[-1] + 1) * MINUTE, MINUTE, 0.0, 480.0)
        assert [(d.start_ms, d.stop_ms) for d in found] == [
            (round(s * 1000), round((s + 30.0) * 1000)) for s in starts_s
        ]
        assert [d.energy_wh for d in found] == [4.0] * len(starts_s)


def counter(start_wh: float = 100.0) -> EnergyCounter:
    made = EnergyCounter(Rhythm(stated_ms=None), 1_000.0)
    made.feed(0, start_wh)
    return made


def fed(one: EnergyCounter, minute: float, value_wh: float) -> tuple[float | None, CounterStep]:
    """The energy that a reading tells, and what it was taken for."""
    interval_ms, used_wh = one.feed(round(minute * MINUTE), value_wh)
    assert interval_ms is not None
    return used_wh, one.step


@pytest.mark.parametrize("end_wh", [1e3, 1e6, 2.0**16, 2.0**24 * 0.001, 2.0**32 * 0.001])
def test_a_register_that_stands_at_its_very_end_runs_over(end_wh: float) -> None:
    """Decimal registers, and binary ones in steps of 1 Wh and of 1 mWh: 2 Wh before the end and 3 Wh after it are 5."""
    for before in (2.0, 0.0):
        used_wh, step = fed(counter(end_wh - before), 1, 3.0)
        assert used_wh == pytest.approx(before + 3.0, abs=1e-5)
        assert step is CounterStep.WRAPPED


def test_steps_of_a_counter_are_told_apart() -> None:
    """At 1 kW a minute holds 16.7 Wh and two steps: less than that is counted, a step back is jitter or a reset."""
    one = counter()
    assert fed(one, 1, 101.0) == (1.0, CounterStep.COUNTED)
    assert one.resolution_wh == 1.0
    assert fed(one, 2, 100.5) == (0.0, CounterStep.JITTER)
    assert one.level_wh == 101.0
    assert fed(one, 3, 4.0) == (4.0, CounterStep.RESET)
    assert fed(one, 4, 400.0) == (None, CounterStep.JUMPED)
    assert fed(one, 5, 401.0)[0] is None
    assert fed(one, 6, 402.0) == (1.0, CounterStep.COUNTED), "what goes on from a jump is the new level"
    assert fed(one, 7, 402.0 + 1e-4)[0] == pytest.approx(1e-4, abs=1e-9)
    assert one.resolution_wh == 1e-3


@pytest.mark.parametrize(("back_wh", "step"), [(9.0, CounterStep.JITTER), (15.0, CounterStep.JUMPED)])
def test_how_far_back_is_jitter_goes_by_what_may_have_been_used(back_wh: float, step: CounterStep) -> None:
    """A thousandth of 10 kWh, the most of ten hours at 1 kW (this project's own choice)."""
    assert fed(counter(25_000.0), 600, 25_000.0 - back_wh)[1] is step


def test_two_levels_are_taken_where_they_lie_well_apart_and_one_is_a_pump() -> None:
    """Otsu's classes: 2 and 480 W are a pump and its rest; 2 and 3 W, or 1 and 12 W, are a plug that hums."""
    for low_w, high_w, found in ((2.0, 480.0, True), (200.0, 210.0, False), (0.5, 4.0, False)):
        levels = Levels(running_w=400.0)
        for index in range(2_000):
            levels.idle(high_w if index % 10 == 0 else low_w)
        assert (levels.running_count > 0) is found, (low_w, high_w)
