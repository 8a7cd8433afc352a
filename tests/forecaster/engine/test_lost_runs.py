"""Runs that devices lose, double or run together: none of it is a dead pump, a clog or twice the water."""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Sequence

import numpy as np
import pytest
from scipy import stats

from forecaster.domain.quantities import Quantity
from forecaster.domain.readings import Reading
from forecaster.domain.runs import Run
from forecaster.engine import Engine
from forecaster.engine.signs import rare_wait
from tests.forecaster.cellar import START, Truth, counted, in_order, on_change, pumping, reading, sampled, site

Q = Quantity
MINUTE = 60_000


def beats(truth: Truth, hours: float, every_s: float) -> list[Reading]:
    """A float that reports its edges, and on a beat of its own whatever happens."""
    ticks = np.arange(7.3, hours * 3600.0, every_s)
    edges = on_change(truth, hours, Q.PIT_FLOAT, heartbeat_s=1e9)
    return in_order(list(edges), [reading(Q.PIT_FLOAT, float(at), float(truth.on(float(at)))) for at in ticks])


def heard(items: Iterable[Reading], *quantities: Quantity) -> tuple[Engine, list[Run]]:
    """An engine after these readings, and the runs that it told of."""
    engine, runs = Engine(site(*quantities)), []
    for item in items:
        engine.update(item)
        runs += [event for event in engine.events() if isinstance(event, Run)]
    return engine, runs


def after(calm: Truth, storm: Truth, at_s: float) -> Truth:
    """A calm time, and a storm from a moment on."""
    runs = [run for run in calm.runs if run[1] < at_s - 60.0] + [(at_s + a, at_s + b) for a, b in storm.runs]
    return Truth(tuple(runs))


def test_a_storm_does_not_make_a_float_that_reports_changes_look_sampled() -> None:
    """Runs of 68 s every 4 min 40 s leave no interval from beat to beat (5 min); their lengths stay what they were."""
    truth = after(pumping(24.0, run_s=52.0, cycle_s=1_500.0), pumping(12.0, run_s=68.0, cycle_s=280.0), 24 * 3600.0)
    _, runs = heard(beats(truth, 36.0, 300.0), Q.PIT_FLOAT)
    newest = np.array(
        [(run.stop_ms - run.start_ms) / 1000.0 for run in runs if run.start_ms > START + 30 * 60 * MINUTE]
    )
    assert newest.size > 60
    assert np.median(newest) == pytest.approx(68.0, rel=0.03)
    assert np.quantile(newest, [0.05, 0.95]) == pytest.approx([68.0, 68.0], rel=0.1)


def silent_house(gap_min: float, others: Sequence[str]) -> float:
    """Usual waits since the newest run by the engine, once a run has fallen into a silence of the house.

    The float reports changes, and every ten minutes; other streams every ten seconds, for as long as they are heard.
    """
    hours, cycle_s = 30.0, 1_000.0
    truth = pumping(hours, run_s=18.0, cycle_s=cycle_s, slop=0.03)
    lost = next(start for start, _ in truth.runs if start > 26 * 3600.0)
    dark = (lost - 0.5 * gap_min * 60.0, lost + 0.5 * gap_min * 60.0)
    until_s = lost + 0.95 * cycle_s
    ticks = [reading(Q.PACK_OUTPUT_POWER, float(at), 0.0) for at in np.arange(0.0, hours * 3600.0, 10.0)]
    kept = [
        item
        for item in in_order(beats(truth, hours, 600.0), ticks)
        if item.time_ms < START + 1000.0 * until_s
        and not (
            START + 1000.0 * dark[0] <= item.time_ms < START + 1000.0 * dark[1]
            and (item.quantity is Q.PIT_FLOAT or "output" in others)
        )
    ]
    engine, _ = heard(kept, Q.PIT_FLOAT, Q.PACK_OUTPUT_POWER)
    return engine.status(START + round(1000.0 * until_s)).waits or 0.0


def test_a_run_that_fell_into_a_silence_of_the_whole_house_is_not_waited_for() -> None:
    assert silent_house(13.0, ["output"]) < 1.0, "counted from the end of the silence"
    assert silent_house(3.0, ["output"]) < 1.1
    assert silent_house(13.0, []) > 1.5, "where the rest of the house is heard, the run is missing"


def test_silences_do_not_hide_a_dead_pump_for_good() -> None:
    """A dead pump in a house whose line drops for two minutes every two waits and a half is told of."""
    hours = 30.0
    truth = pumping(26.0, run_s=18.0, cycle_s=1_000.0, slop=0.03)
    ticks = [reading(Q.PACK_OUTPUT_POWER, float(at), 0.0) for at in np.arange(0.0, hours * 3600.0, 10.0)]
    kept = [
        item
        for item in in_order(beats(truth, hours, 600.0), ticks)
        if item.time_ms < START + 1000.0 * 25.9 * 3600.0 or (item.time_ms - START) // 1000 % 2_500 >= 120
    ]
    engine, _ = heard(kept, Q.PIT_FLOAT, Q.PACK_OUTPUT_POWER)
    assert (engine.status(kept[-1].arrived_ms).waits or 0.0) > 2.0


def test_a_run_whose_messages_are_lost_is_remembered_and_a_recession_is_not() -> None:
    truth = pumping(40.0, run_s=15.0, cycle_s=600.0)
    whole, _ = heard(on_change(truth, 40.0, Q.PUMP_POWER), Q.PUMP_POWER)
    now = START + 40 * 60 * MINUTE
    assert whole.status(now).lost_share == 0.0
    lost = Truth((*truth.runs[:150], *truth.runs[151:]))
    holed, _ = heard(on_change(lost, 40.0, Q.PUMP_POWER), Q.PUMP_POWER)
    assert holed.status(now).lost_share == pytest.approx(1.0 / 1500.0, rel=0.1)
    ever_longer = itertools.accumulate((300.0 * 1.12**number for number in range(40)), initial=20.0)
    receding = Truth(tuple((at, at + 15.0) for at in ever_longer))
    slower, _ = heard(on_change(receding, 60.0, Q.PUMP_POWER), Q.PUMP_POWER)
    assert slower.status(START + 60 * 60 * MINUTE).lost_share == 0.0


def whole_since_min(items: Sequence[Reading], at_s: float) -> float | None:
    """Since how long nothing is missing of what the float should have told [min]; None: that cannot be known."""
    now = START + round(1000.0 * at_s)
    engine, _ = heard([item for item in items if item.time_ms <= now], Q.PIT_FLOAT)
    whole = engine.status(now).whole_ms
    return None if whole is None else (now - max(whole, START)) / MINUTE


def test_a_source_that_keeps_its_beat_tells_of_what_was_lost() -> None:
    """A float tells of each edge, and once a minute. What a loss leaves: a beat that did not come (a hole of two
    minutes), or, of a run whose first message is lost, one that tells of no change, off the beat. A run in a gap that
    is shorter than the beat leaves nothing, and neither does one of a source that reports nothing between runs.
    """
    hours, at_s = 12.0, 12.0 * 3600.0
    truth = pumping(hours, run_s=18.0, cycle_s=1_000.0)
    told = beats(truth, hours, 60.0)
    assert (whole_since_min(told, at_s) or 0.0) > (hours - 1.0) * 60.0, "but for the hour in which its beat is learnt"
    hole = [one for one in told if not START + 1000 * (at_s - 1_200.0) <= one.time_ms < START + 1000 * (at_s - 1_080.0)]
    assert whole_since_min(hole, at_s) == pytest.approx(18.0, abs=1.1)
    began = max(start for start, _ in truth.runs if start < at_s - 60.0)
    first = [one for one in told if one.value == 0.0 or one.time_ms != min(at for at in ons(told, began - 1.0))]
    assert whole_since_min(first, at_s) == pytest.approx((at_s - began) / 60.0, abs=1.0), "and the beat after it"
    edges = list(on_change(truth, hours, Q.PIT_FLOAT, heartbeat_s=1e9))
    assert whole_since_min(edges, at_s) is None
    unsteady = [one for one in told if one.value == 1.0 or one.time_ms // 60_000 % 7 in (0, 1, 4)]
    assert whole_since_min(unsteady, at_s) is None, "beats of one to three minutes"


def ons(told: Iterable[Reading], from_s: float) -> list[int]:
    """When the float is said to be up from a moment on [UTC milliseconds]."""
    return [one.time_ms for one in told if one.value == 1.0 and one.time_ms >= START + 1000 * from_s]


def test_runs_that_follow_one_another_in_step_with_the_samples_tell_nothing_of_the_flow() -> None:
    """Runs of 15 s each minute, sampled once a minute beside a counter: on for minutes, off for minutes."""
    hours, storm_s = 60.0, 48 * 3600.0
    truth = after(
        pumping(48.0, run_s=13.0, cycle_s=480.0), pumping(12.0, run_s=15.0, cycle_s=60.6, slop=0.004), storm_s
    )
    items = in_order(list(sampled(truth, hours, 60.0)), list(counted(truth, hours, 60.0, step_wh=1.0)))
    engine, runs = heard(items, Q.PUMP_POWER, Q.PUMP_ENERGY)
    longest_s = max(run.stop_ms - run.start_ms for run in runs if run.start_ms > START + 1000.0 * storm_s) / 1000.0
    assert longest_s > 120.0, "the storm does look like long runs"
    found = engine.status(items[-1].arrived_ms)
    assert found.flow_share in (None, 1.0)
    assert found.sample_s == pytest.approx(60.0, rel=0.1)


def test_lengths_that_coarse_samples_measure_do_not_make_a_storm_look_short() -> None:
    """Runs of 28 s sampled every 20 s: those seen twice read 40 s, of which a storm's short waits seem to take more."""
    storm = pumping(6.0, run_s=28.0, cycle_s=88.0)
    truth = after(pumping(48.0, run_s=26.0, cycle_s=600.0), storm, 48 * 3600.0)
    items = list(sampled(truth, 54.0, 20.0, jitter_s=0.5))
    found = heard(items, Q.PUMP_POWER)[0].status(items[-1].arrived_ms)
    assert found.cycles_last_hour == pytest.approx(41.0, abs=3.0)
    assert found.dry_run_s_recent is None
    assert found.flow_share is None


def test_a_counter_read_once_a_minute_makes_no_clog_of_a_storm() -> None:
    """Runs of 12 s every 8 min, then of 28 s every 44 s: each reading counts one or two of them as one."""
    truth = after(pumping(48.0, run_s=12.0, cycle_s=480.0), pumping(6.0, run_s=28.0, cycle_s=44.0), 48 * 3600.0)
    found = heard(counted(truth, 54.0, 60.0), Q.PUMP_ENERGY)[0].status(START + 54 * 60 * MINUTE)
    assert found.flow_share == pytest.approx(1.0, abs=0.02)


def test_the_rarest_wait_is_that_of_an_exponential_tail() -> None:
    """Beside scipy's quantile function of the exponential distribution: of exponential waits the 1 - 1e-7 point."""
    waits = stats.expon.ppf((np.arange(4_000) + 0.5) / 4_000)
    assert rare_wait(waits.tolist()) == pytest.approx(stats.expon.isf(1e-7), rel=0.03)
    even = stats.norm.ppf((np.arange(400) + 0.5) / 400, 1.0, 0.05)
    assert rare_wait(even.tolist()) < 1.5, "an even rhythm has no such tail"


def test_samples_that_catch_two_runs_in_three_are_no_dead_pump_in_years_of_waits() -> None:
    """A sample catches each run with 0.67: waits are geometric, by scipy's survival function of it. Two years of one
    every quarter of an hour are 70,000.
    """
    known = stats.geom.ppf((np.arange(160) + 0.5) / 160, 0.67) * np.random.default_rng(3).normal(1.0, 0.1, 160)
    assert stats.geom.sf(np.floor(rare_wait(sorted(known.tolist()))), 0.67) < 1.0 / 70_000.0


@pytest.mark.parametrize("waits", [1.0, 1.6, 2.2])
def test_the_time_to_the_wet_floor_does_not_recede_with_the_silence(waits: float) -> None:
    """A pit of 0.166 m2, 0.30 m above the start level, 30 L in 600 s: 16.6 min by hand, however long it is silent."""
    truth = pumping(12.0, run_s=10.0, cycle_s=610.0, slop=0.0)
    engine, _ = heard(sampled(truth, 12.0, 1.0), Q.PUMP_POWER)
    last_s = truth.runs[-1][0]
    silent_s = np.arange(12 * 3600.0, last_s + waits * 610.0, 1.0)
    for at in silent_s:
        engine.update(reading(Q.PUMP_POWER, float(at), 0.0))
    found = engine.forecast(START + round(1000.0 * (last_s + waits * 610.0))).water
    volume_l = 1000.0 * 0.166 * 0.18
    by_hand = 1000.0 * 0.166 * 0.30 / (volume_l / 10.0)
    assert found.minutes_to_floor == pytest.approx(by_hand, rel=0.1)
