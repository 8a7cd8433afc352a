"""The evidence of a rehearsal and what is read off it, each against a line of arithmetic that stands beside it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest
from scipy.stats import norm, t

from forecaster.discharge import DischargeEvidence, analyse, drift, finish_reason, next_due_ms, progress
from forecaster.discharge.drift import drift_of
from forecaster.discharge.hours import (
    at_least_as_wide,
    carried,
    loads_measured_w,
    pump_rate,
    step_doubt,
    triple,
)
from forecaster.discharge.observed import first_run, sleeps_on_low_load
from forecaster.discharge.watch import check_plan, due_after_ms, enough
from forecaster.domain.discharge import DischargeTest, EndReason
from forecaster.domain.errors import UsageError
from forecaster.domain.quantities import Quantity
from forecaster.domain.runs import Run, Supply
from forecaster.domain.site import Load, Pack, Pump, Site
from forecaster.domain.times import HOUR_MS
from forecaster.pack.draws import PackDraws

DAY_MS = 86_400_000
PACK = Pack(1000, reserve_percent=10, continuous_w=1000)
SITE = Site("larkspur", "Larkspur Lane", "UTC", Pump(rated_power_w=480), PACK)


def ran(start_s: float, length_s: float = 10.0, watts: float | None = 480.0, wh: float | None = None) -> Run:
    start, stop = round(start_s * 1000), round((start_s + length_s) * 1000)
    return Run("larkspur", start, stop, wh, watts, watts, Quantity.PUMP_POWER, Supply.PACK, samples=5)


def seen(
    *, hours: float = 2.0, charge: Sequence[tuple[float, float]] = (), runs: Sequence[Run] = (), site: Site = SITE
) -> DischargeEvidence:
    """charge : (minutes, %)."""
    rows = tuple((round(minutes * 60_000), percent) for minutes, percent in charge)
    return DischargeEvidence(site, 0, round(hours * HOUR_MS), rows, tuple(runs))


def test_what_was_used_and_in_which_steps_it_was_told() -> None:
    told = seen(charge=[(0, 100), (10, 98), (20, 97.5), (30, 97.5), (40, 95)])
    assert (told.used_percent, told.step_percent, told.hours) == (5.0, 0.5, 2.0)
    assert seen(charge=[(0, 90), (10, 95)]).used_percent == 0.0, "charge that rose used nothing"
    assert (seen().used_percent, seen(charge=[(0, 90)]).step_percent) == (0.0, 1.0)
    assert replace(seen(), end_ms=-HOUR_MS).hours == 0.0


def test_energy_of_a_run_is_measured_or_its_length_times_its_power() -> None:
    """480 W for 15 s are 2 Wh; without a power of its own a run has the median of the others', else the nameplate's."""
    told = seen(runs=[ran(0, 15, wh=1.7), ran(60, 15), ran(120, 15, watts=None), ran(200, 30, watts=240)])
    assert told.running_w == 480.0
    assert told.energies_wh.tolist() == pytest.approx([1.7, 2.0, 2.0, 2.0])
    assert seen(runs=[ran(0, 15, watts=None)]).energies_wh.tolist() == pytest.approx([2.0])
    assert not told.energy_measured
    most = [ran(60.0 * k, wh=1.0 if k < 4 else None) for k in range(5)]
    assert seen(runs=most).energy_measured, "four of five"
    assert not seen(runs=[*most, ran(400)]).energy_measured
    assert not seen().energy_measured


def test_energy_at_the_plug_rises_while_the_pump_runs_and_stands_between() -> None:
    """Two runs of 3 and 6 Wh, at 10..20 s and 100..120 s."""
    told = seen(runs=[ran(10, 10, wh=3.0), ran(100, 20, wh=6.0)])
    at_s = np.array([0.0, 10.0, 15.0, 20.0, 60.0, 100.0, 105.0, 120.0, 500.0])
    assert told.plug_wh(at_s * 1000).tolist() == pytest.approx([0, 0, 1.5, 3, 3, 3, 4.5, 9, 9])
    assert seen().plug_wh(at_s).tolist() == [0.0] * 9


def test_output_between_runs_leaves_two_seconds_at_each_edge() -> None:
    """A run from 10 to 20 s: what was read from 8 to 22 s belongs to it."""
    rows = tuple((second * 1000, float(second)) for second in range(30))
    told = replace(seen(runs=[ran(10, 10)]), output_w=rows)
    assert told.between_w.tolist() == [*map(float, range(8)), *map(float, range(23, 30))]
    assert loads_measured_w(told) == pytest.approx(np.mean([*range(8), *range(23, 30)]))
    assert loads_measured_w(replace(told, output_w=rows[:9])) is None, "nine readings are too few"
    assert loads_measured_w(replace(seen(), output_w=rows[:10])) == pytest.approx(4.5)


def test_a_power_into_the_pack_holds_for_ten_minutes_at_most() -> None:
    """120 W over 6 min are 12 Wh; a reading of 60 W that nothing follows for an hour counts for 10 min, 10 Wh."""
    rows = ((0, 120.0), (360_000, 60.0), (360_000 + HOUR_MS, -50.0), (360_000 + 2 * HOUR_MS, 0.0))
    told = replace(seen(), input_w=rows)
    ends = np.array([row[0] for row in rows], dtype=np.float64)
    assert told.charging_wh(ends).tolist() == pytest.approx([0.0, 12.0, 22.0, 22.0])
    assert told.charging_wh(np.array([180_000.0])).tolist() == pytest.approx([6.0])
    assert seen().charging_wh(ends).tolist() == [0.0] * 4


def test_pump_power_is_energy_over_whole_cycles() -> None:
    """Starts at 0, 100, 300 s with 1, 2 and 9 Wh: 3 Wh in 300 s are 36 W; the last run's energy belongs to no cycle."""
    told = seen(runs=[ran(0, wh=1.0), ran(100, wh=2.0), ran(300, wh=9.0)])
    rate = pump_rate(told)
    assert rate.mean_w == pytest.approx(36.0)
    # both cycles carry 36 W: 1 - 36 * 100/3600 and 2 - 36 * 200/3600 are nothing
    assert rate.relative_sd == pytest.approx(0.0, abs=1e-12)


def test_the_error_of_a_ratio_is_that_of_its_residuals() -> None:
    """Cochran, Sampling Techniques, 3rd ed., eq. 2.46: s^2 of u - R w, over n; here with sum(u) 6 Wh in 300 s."""
    told = seen(runs=[ran(0, wh=1.0), ran(100, wh=2.0), ran(200, wh=3.0), ran(300, wh=5.0)])
    rest = [1.0 - 2.0, 0.0, 3.0 - 2.0]
    wanted = math.sqrt(sum(r * r for r in rest) / 2.0 * 3.0) / 6.0
    assert pump_rate(told).mean_w == pytest.approx(72.0)
    assert pump_rate(told).relative_sd == pytest.approx(wanted)


def test_with_two_runs_the_rate_is_all_their_energy_over_all_the_time() -> None:
    told = seen(hours=2.0, runs=[ran(0, wh=1.0), ran(100, wh=2.0)])
    assert (pump_rate(told).mean_w, pump_rate(told).relative_sd) == pytest.approx((1.5, 1 / math.sqrt(3)))
    assert pump_rate(seen(hours=0.0)).mean_w == 0.0


def _pack() -> PackDraws:
    """2000 draws of one and the same pack: 1000 Wh, 90 % efficient, 10 W idle, straight, 20 W of loads."""
    one = np.ones(2000)
    left = (900 * one, 1000 * one, 0 * one)
    return PackDraws(1000 * one, 0.9 * one, 10 * one, 20 * one, *left, bow=0 * one, skew=0 * one)


def test_hours_are_what_is_above_the_reserve_over_the_drain() -> None:
    """Cycles of 36 W and loads of 20 W through 90 %, 10 W idle: 72.2 W of 900 Wh are 12.5 h."""
    told = seen(runs=[ran(100.0 * k, wh=1.0) for k in range(40)])
    found = carried(told, _pack())
    hours, drain = found.hours, found.drain_w
    assert np.median(drain) == pytest.approx(56.0 / 0.9 + 10.0, rel=1e-3)
    assert np.median(hours) == pytest.approx(900.0 / (56.0 / 0.9 + 10.0), rel=1e-3)
    assert np.std(np.log(drain)) == pytest.approx(0.005 * (36 / 0.9) / (56 / 0.9 + 10), rel=0.1), "the inflow's half %"
    heard = replace(told, output_w=tuple((50_000 + 100_000 * k, 54.0) for k in range(30)))
    assert np.median(carried(heard, _pack()).drain_w) == pytest.approx(90.0 / 0.9 + 10.0, rel=1e-3)


def test_a_range_is_stretched_about_its_median_on_a_log_scale() -> None:
    """p10, p50, p90 of 1, 10, 100 with half the spread are sqrt(10) below and above 10."""
    values = np.exp(np.linspace(math.log(1 / 10**0.25), math.log(100 * 10**0.25), 1001))
    low, middle, high = np.quantile(values, [0.1, 0.5, 0.9])
    assert (low, middle, high) == pytest.approx((1.0, 10.0, 100.0), rel=1e-6)
    assert triple(values) == pytest.approx((1.0, 10.0, 100.0), rel=1e-6)
    assert triple(values, 0.5) == pytest.approx((math.sqrt(10), 10.0, 10 * math.sqrt(10)), rel=1e-6)


def test_whole_steps_of_the_charge_keep_a_range_wide() -> None:
    """A fall of 5 % in steps of 1 %: 1.2816 / (sqrt(6) * 5) = 10.46 % to each side; 200 % would end below nothing."""
    assert step_doubt(5.0) == pytest.approx(0.10464, abs=1e-5)
    assert step_doubt(5.0, 2.0) == pytest.approx(2 * step_doubt(5.0))
    told = seen(charge=[(k, 100 - k) for k in range(6)])
    assert at_least_as_wide((9.9, 10.0, 10.1), told) == pytest.approx((8.9536, 10.0, 11.0464), abs=1e-4)
    assert at_least_as_wide((2.0, 10.0, 30.0), told) == (2.0, 10.0, 30.0)
    coarse = seen(charge=[(0, 100), (1, 96)])
    assert at_least_as_wide((9.0, 10.0, 11.0), coarse)[0] == pytest.approx(10 * (1 - 1.2816 / math.sqrt(6)), rel=1e-4)
    coarser = replace(coarse, charge=((0, 100.0), (1, 75.0), (2, 95.0)))  # a step of 20 over a fall of 5
    assert at_least_as_wide((9.0, 10.0, 11.0), coarser)[0] == 0.0
    assert at_least_as_wide((9.0, 10.0, 11.0), seen()) == (9.0, 10.0, 11.0)


USUAL = tuple(replace(ran(-6000 + 600.0 * k), supply=Supply.MAINS) for k in range(3))
"""Three runs on mains, of 10 s and 480 W, ten minutes from start to start."""


@pytest.mark.parametrize(
    ("length_s", "watts", "started"),
    [(30, 1000, True), (31, 960, True), (31, 961, False), (31, None, True)],
)
def test_a_pump_that_hums_for_three_times_as_long_at_twice_its_power_is_stalled(
    length_s: float, watts: float | None, started: bool
) -> None:
    told = replace(seen(runs=[ran(60, length_s, watts)]), before=USUAL)
    found = first_run(told)
    assert (found.started, found.run_s, found.watts) == (started, length_s, watts)
    assert first_run(replace(told, before=USUAL[:2])).started, "two runs are no habit"


def test_a_run_that_never_came_is_told_after_four_waits() -> None:
    """Ten minutes apart on mains: at 40 minutes nothing is said, beyond it the pump did not start."""
    assert first_run(replace(seen(hours=40 / 60), before=USUAL)).started is None
    late = first_run(replace(seen(hours=41 / 60), before=USUAL))
    assert late.started is False
    assert "41" in late.says
    assert "10" in late.says
    assert first_run(seen(hours=9)).started is None


def test_the_first_whole_run_is_looked_at() -> None:
    half = replace(ran(60, 4, 300.0), start_censored=True)
    found = first_run(seen(runs=[half, ran(200, 12, 470.0)]))
    assert (found.run_s, found.watts) == (12.0, 470.0)
    assert first_run(seen(runs=[half])).run_s == 4.0


@pytest.mark.parametrize(("watts", "pinned"), [(969, False), (971, True), (1029, True), (1031, False)])
def test_a_power_within_three_hundredths_of_the_rating_is_pinned_to_it(watts: float, pinned: bool) -> None:
    assert first_run(seen(runs=[ran(60, 10, watts)])).pinned is pinned


def test_a_clipped_run_is_pinned_whatever_the_rating() -> None:
    bare = replace(SITE, pack=replace(PACK, continuous_w=None))
    assert first_run(seen(runs=[replace(ran(60), clipped=True)], site=bare)).pinned
    assert not first_run(seen(runs=[ran(60, 10, 1000)], site=bare)).pinned


@pytest.mark.parametrize(
    ("off", "count", "load_w", "asleep"),
    [(3, 10, 3.0, True), (2, 10, 3.0, False), (3, 9, 3.0, None), (3, 10, 2.9, None)],
)
def test_an_output_that_is_off_in_more_than_a_fifth_of_ten_readings_sleeps(
    off: int, count: int, load_w: float, asleep: bool | None
) -> None:
    """Off is below 1 W where a load of at least 3 W is on all the time."""
    rows = tuple((20_000 * k, 0.9 if k < off else 1.1) for k in range(count))
    site = replace(SITE, loads=(Load("router", load_w), Load("kettle", 900, runs_per_hour=1, run_s=60)))
    assert sleeps_on_low_load(replace(seen(site=site), output_w=rows))[0] is asleep


@pytest.mark.parametrize(("apart_s", "awake"), [(600, False), (599, None)])
def test_a_run_after_ten_minutes_shows_an_output_that_stayed_on(apart_s: float, awake: bool | None) -> None:
    assert sleeps_on_low_load(seen(runs=[ran(0), ran(30), ran(30 + apart_s)]))[0] is awake


def test_cycles_and_length_as_they_are_told() -> None:
    """Four starts over 900 s are three cycles: 12 an hour; two in two hours are one an hour."""
    told = analyse(seen(runs=[ran(300.0 * k, 10 + k) for k in range(4)]))
    assert (told.cycles, told.run_s) == (4, 11.5)
    assert told.cycles_per_hour == pytest.approx(12.0)
    assert analyse(seen(hours=2, runs=[ran(0), ran(300)])).cycles_per_hour == pytest.approx(1.0)
    assert analyse(seen()).cycles_per_hour is None


@pytest.mark.parametrize(("depth_mm", "rained"), [(None, None), (0.0, False), (0.19, False), (0.2, True)])
def test_a_fifth_of_a_millimetre_is_rain(depth_mm: float | None, rained: bool | None) -> None:
    assert analyse(replace(seen(), rain_mm=depth_mm)).rained is rained


@pytest.mark.parametrize(("last", "shallow"), [(90.0, False), (90.5, True)])
def test_less_than_a_tenth_of_the_charge_says_little(last: float, shallow: bool) -> None:
    said = " ".join(analyse(seen(charge=[(0, 100), (60, last)])).cautions)
    assert ("Only 10% of charge went" in said) is shallow


TEST = DischargeTest("t", "larkspur", 0, "owner", until_percent=60.0, until_ms=10 * HOUR_MS)


def test_the_reserve_ends_a_test_before_any_plan_and_the_plan_before_the_mains() -> None:
    assert finish_reason(TEST, SITE, 11 * HOUR_MS, 10.0, True) is EndReason.FLOOR
    assert finish_reason(TEST, SITE, 11 * HOUR_MS, 10.1, True) is EndReason.CHARGE
    assert finish_reason(TEST, SITE, 11 * HOUR_MS, 60.1, True) is EndReason.TIME
    assert finish_reason(TEST, SITE, 10 * HOUR_MS - 1, 60.1, True) is EndReason.MAINS_RETURN
    assert finish_reason(TEST, SITE, 10 * HOUR_MS - 1, None, False) is None


def test_a_plan_is_from_the_reserve_to_below_full_and_in_time_to_come() -> None:
    for percent in (10.0, 99.9):
        check_plan(SITE, percent, None, 0)
    for percent in (9.9, 100.0):
        with pytest.raises(UsageError):
            check_plan(SITE, percent, None, 0)
    check_plan(SITE, None, 1, 0)
    with pytest.raises(UsageError):
        check_plan(SITE, None, 5, 5)


@pytest.mark.parametrize(
    ("hours", "last", "until_percent", "until_h", "share"),
    [
        (2.5, 90.0, 60.0, 10, 0.25),  # a quarter of the charge and of the time
        (2.5, 80.0, 60.0, 10, 0.5),  # half of the charge's way
        (5.0, 90.0, 60.0, 10, 0.5),  # half of the time
        (9.0, 50.0, 60.0, None, 1.0),  # beyond the end
        (2.5, 90.0, None, None, None),
    ],
)
def test_progress_is_the_further_of_charge_and_time(
    hours: float, last: float, until_percent: float | None, until_h: int | None, share: float | None
) -> None:
    """From 100 % to 60 % or ten hours, whichever comes first."""
    plan = replace(TEST, until_percent=until_percent, until_ms=None if until_h is None else until_h * HOUR_MS)
    told = seen(hours=hours, charge=[(0, 100), (60 * hours, last)], runs=[ran(60.0 * k) for k in range(20)])
    found = progress(plan, told, round(hours * HOUR_MS))
    assert found.on_pack
    assert (found.elapsed_h, found.used_percent) == (hours, 100 - last)
    assert found.share == (None if share is None else pytest.approx(share))
    assert found.hours_full_to_reserve is not None
    low, middle, high = found.hours_full_to_reserve
    assert found.sureness == pytest.approx((high - low) / 2 / middle)


def test_a_test_that_waits_for_the_plug_has_gone_no_way() -> None:
    waiting = progress(TEST, None, 5 * HOUR_MS)
    assert (waiting.on_pack, waiting.used_percent, waiting.elapsed_h, waiting.share) == (False, 0.0, 0.0, 0.0)
    flat = progress(replace(TEST, until_ms=HOUR_MS), seen(hours=0.5, charge=[(0, 100), (30, 100)]), HOUR_MS // 2)
    assert (flat.on_pack, flat.share, flat.sureness) == (True, 0.5, None)


@pytest.mark.parametrize(("hours", "used", "kept"), [(0.5, 5, True), (0.49, 5, False), (0.5, 4.9, False)])
def test_half_an_hour_and_a_twentieth_of_the_charge_are_a_rehearsal(hours: float, used: float, kept: bool) -> None:
    assert enough(seen(hours=hours, charge=[(0, 100), (29, 100 - used)])) is kept


def _ms(year: int, month: int, day: int) -> int:
    return int(datetime(year, month, day, tzinfo=UTC).timestamp() * 1000)


@pytest.mark.parametrize(
    ("latitude", "last", "due"),
    [
        (45.0, (2026, 4, 1), (2027, 2, 1)),  # February is 306 days off
        (45.0, (2026, 7, 16), (2027, 2, 1)),  # 200 days
        (45.0, (2026, 7, 17), (2027, 7, 17)),  # 199: a year
        (None, (2026, 4, 1), (2027, 2, 1)),
        (-35.0, (2026, 1, 10), (2026, 8, 1)),  # south of the equator August, 203 days off in the same year
        (-35.0, (2026, 9, 1), (2027, 8, 1)),
        (0.0, (2026, 4, 1), (2027, 2, 1)),
    ],
)
def test_the_next_rehearsal_is_within_a_year_and_before_the_wet_half_where_that_is_far_off(
    latitude: float | None, last: tuple[int, int, int], due: tuple[int, int, int]
) -> None:
    """Common advice of the trade; the days are counted on a calendar."""
    site = replace(SITE, latitude=latitude)
    assert next_due_ms(site, _ms(*last), 0) == _ms(*due)
    done = replace(TEST, result=analyse(seen()), finished_ms=_ms(*last))
    older = replace(done, finished_ms=_ms(*last) - 300 * DAY_MS)
    assert due_after_ms(site, [TEST, older, done]) == _ms(*due)
    assert due_after_ms(site, [TEST]) is None


def test_drift_takes_eight_rests_of_the_pump() -> None:
    eight = [ran(100.0 * k) for k in range(9)]
    assert drift_of(eight[:8]) is None
    steady = drift_of(eight)
    assert steady is not None
    assert steady.change == pytest.approx(0.0, abs=1e-9)
    assert not steady.told
    # 90 s to fill at first, each rest 2 % shorter: ln(1 / 0.98) a cycle more inflow, seven cycles from first to last
    starts = np.concatenate([[0.0], np.cumsum(10.0 + 90.0 * 0.98 ** np.arange(8))])
    rising = drift_of([ran(start) for start in starts.tolist()])
    assert rising is not None
    assert rising.change == pytest.approx(7 * -math.log(0.98), rel=0.02)


def test_a_drift_has_the_more_degrees_of_freedom_the_less_of_it_is_chance(monkeypatch: pytest.MonkeyPatch) -> None:
    """Satterthwaite 1946: (12 - 2) / 0.5^2 = 40 for half the slope's variance by the cycles' own chance."""
    monkeypatch.setattr(drift, "_fit", lambda *_: (0.0, 0.3, 0.15, 0.5))
    found = drift.drift_in(np.arange(12.0), np.zeros(12))
    assert (found.change, found.change_error) == (0.3, 0.15)
    assert found.p_value == pytest.approx(2.0 * t.sf(2.0, 40.0))
    assert found.least == pytest.approx(0.15 * (t.isf(0.015, 40.0) + norm.isf(0.2)), rel=1e-4)
