"""The small machines of the engine: other loads, the count of a discharge, the gauge's filter, signs, the buffer, first
passage. Each is driven over the edges of what it does; the arithmetic stands beside the values.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from forecaster.domain.forecast import ChargeAhead, Forecast
from forecaster.domain.quantities import Quantity
from forecaster.domain.readings import Reading
from forecaster.domain.runs import Run, Supply
from forecaster.domain.site import Channel, NamedPump, Pump
from forecaster.domain.times import HOUR_MS
from forecaster.engine.accounts import Accounts, Mark
from forecaster.engine.buffer import Buffer, key_of, standing
from forecaster.engine.changes import _pump_shape
from forecaster.engine.evidence import PumpSpan
from forecaster.engine.fold import Fold
from forecaster.engine.gauge import GaugeFilter
from forecaster.engine.lifting import Lifting
from forecaster.engine.loads import Stream, mean_w, total_wh
from forecaster.engine.normals import Normals
from forecaster.engine.reserve import (
    ahead_grid_s,
    cumulative_drain_wh,
    first_passage,
    points_needed,
    quantiles,
    survival,
    survival_at,
)
from forecaster.engine.second import SecondPump
from forecaster.engine.signs import Signs, rare_wait
from forecaster.engine.spans import Spans
from forecaster.engine.status import _clock
from forecaster.pack.draws import PackDraws
from forecaster.segment.segmenter import Segmenter
from tests.forecaster.evidence import LARKSPUR, START_MS, forecast

MIN_MS = 60_000


def fed(*readings: tuple[int, float], gap_ms: int = 10 * MIN_MS) -> Stream:
    """readings : (minutes, W)."""
    stream = Stream()
    for minute, watts in readings:
        stream.feed(minute * MIN_MS, watts, gap_ms)
    return stream


def test_a_power_holds_from_reading_to_reading() -> None:
    """60 W for 5 min and 120 W for 10 min are 5 and 20 Wh; the newest goes on for as long as no gap is due."""
    stream = fed((0, 60), (5, 120), (15, 30))
    assert stream.total_wh == pytest.approx(25.0)
    assert stream.mean_w == pytest.approx(100.0)
    assert stream.total_at(15 * MIN_MS) == pytest.approx(25.0)
    assert stream.total_at(25 * MIN_MS) == pytest.approx(30.0)
    assert stream.total_at(27 * MIN_MS) == pytest.approx(25.0 + 100.0 * 12 / 60), "beyond a gap's length at the mean"
    assert Stream().total_at(HOUR_MS) == 0.0


def test_a_gap_counts_at_the_mean() -> None:
    stream = fed((0, 60), (10, 60), (70, 200), (80, 0))
    assert stream.total_wh == pytest.approx(10.0 + 60.0 + 200.0 * 10 / 60)
    assert fed((0, 60), (11, 60)).total_wh == 0.0, "before any mean is known a gap is nothing"


def test_the_mean_forgets_within_six_hours_and_the_recent_one_within_half_an_hour() -> None:
    """Ten hours of 10 W; then 100 W for 5 min weigh 5 of 360 minutes, and 1 - exp(-5 / 30) of the recent mean."""
    steady = [(minute, 10.0) for minute in range(0, 600, 5)]
    stream = fed(*steady, (600, 100.0), (605, 100.0))
    assert stream.mean_w == pytest.approx(10.0 + 90.0 * 5 / 360)
    assert stream.recent_w == pytest.approx(10.0 - 90.0 * math.expm1(-5 / 30))


def test_what_was_read_of_a_source_that_is_gone_says_nothing_of_what_comes() -> None:
    """Cut at 5 min: a device that averages tells of the old source for one minute more."""
    stream = fed((0, 60), (4, 60))
    stream.cut(5 * MIN_MS)
    assert stream.total_wh == pytest.approx(5.0)
    assert (stream.mean_w, stream.recent_w) == (None, None)
    stream.feed(5 * MIN_MS + 59_999, 60.0, 10 * MIN_MS)
    stream.feed(7 * MIN_MS, 30.0, 10 * MIN_MS)
    assert stream.total_wh == pytest.approx(5.0), "what was told in the minute after is not counted"
    stream.feed(9 * MIN_MS, 30.0, 10 * MIN_MS)
    assert stream.total_wh == pytest.approx(6.0)


def test_listed_loads_count_where_they_are_not_measured() -> None:
    """A router listed with 12 W, a freezer measured with 60 W for 10 min, both up to 30 min after the beginning."""
    listed = {"router": 12.0, "freezer": 80.0}
    freezer = {"freezer": fed((0, 60), (10, 60))}
    assert total_wh(freezer, listed, Stream(), 10 * MIN_MS) == pytest.approx(12.0 / 6 + 10.0)
    assert total_wh(freezer, listed, Stream(), 20 * MIN_MS) == pytest.approx(12.0 / 3 + 20.0)
    assert mean_w(freezer, listed, Stream()) == pytest.approx(72.0)
    assert mean_w({"freezer": Stream()}, listed, Stream()) == 12.0
    other = fed((0, 30), (10, 30))
    assert total_wh({}, listed, other, 10 * MIN_MS) == pytest.approx(5.0)
    assert (total_wh({}, listed, Stream(), HOUR_MS), mean_w({}, listed, Stream())) == (None, None)
    assert mean_w({}, listed, other) == pytest.approx(30.0)


def mark(minute: float, percent: float) -> Mark:
    return Mark(round(minute * MIN_MS), percent, minute, 0, 2 * minute, 0.0)


def test_a_discharge_is_counted_from_the_last_mark_before_it() -> None:
    """The transfer is noticed late: what the meters said when the charge last changed before it is the beginning."""
    accounts = Accounts(10.0)
    for minute, percent in ((0, 99.0), (5, 100.0), (20, 98.0)):
        accounts.charge(mark(minute, percent))
    accounts.open(mark(20, 98.0), 98.0, 10 * MIN_MS)
    assert accounts.opened == mark(5, 100.0)
    assert (accounts.on_pack, accounts.has_charge, accounts.start_percent) == (True, True, 98.0)
    accounts.peak = mark(9, 100.0)
    accounts.open(mark(20, 98.0), 98.0, 10 * MIN_MS)
    assert accounts.opened == mark(9, 100.0), "the newest reading before the fall"
    accounts.open(mark(30, 98.0), None, 30 * MIN_MS)
    assert (accounts.opened, accounts.has_charge) == (mark(30, 98.0), False)


def test_the_lowest_charge_and_when_the_reserve_was_reached() -> None:
    accounts = Accounts(10.0)
    accounts.charge(mark(0, 12.0))
    assert (accounts.lowest_percent, accounts.reached_ms) == (None, None), "on mains nothing is counted"
    accounts.open(mark(0, 12.0), 12.0, 0)
    for minute, percent in ((5, 10.1), (6, 10.0), (7, 9.0), (8, 9.5)):
        accounts.charge(mark(minute, percent))
    assert (accounts.lowest_percent, accounts.reached_ms) == (9.0, 6 * MIN_MS)
    accounts.began_late(0, 3.5)
    assert accounts.opened is not None
    assert accounts.opened.plug_wh == 3.5
    accounts.began_late(MIN_MS, 9.0)
    assert accounts.opened.plug_wh == 3.5, "a reading after the transfer corrects nothing"
    accounts.close()
    assert not accounts.on_pack


@pytest.mark.parametrize(
    ("after_s", "percent", "told"),
    [
        (299, 90.0, False), (300, 90.0, True),  # as it stood: every five minutes
        (1, 89.8, True), (59, 89.81, False), (60, 89.81, True),  # two tenths at once, less after a minute
        (1, 90.3, True),
    ],
)  # fmt: skip
def test_which_readings_of_the_charge_the_models_are_told(after_s: int, percent: float, told: bool) -> None:
    accounts = Accounts(10.0)
    accounts.open(mark(0, 90.0), 90.0, 0)
    assert accounts.charge(mark(after_s / 60, percent)) is told


def test_the_first_charge_of_a_discharge_is_told() -> None:
    accounts = Accounts(10.0)
    accounts.open(mark(0, 90.0), None, 0)
    assert accounts.charge(mark(0.1, 90.0))


def test_marks_are_kept_for_two_days_of_half_hours() -> None:
    accounts = Accounts(10.0)
    for number in range(60):
        accounts.charge(mark(number, float(number)))
        accounts.charge(mark(number + 0.5, float(number)))
    assert [one.percent for one in accounts.marks] == [float(number) for number in range(12, 60)]


def believed(*readings: tuple[float, float], step: float | None = 1.0) -> list[float | None]:
    """readings : (minutes, %)."""
    gauge = GaugeFilter()
    return [gauge.take(round(minute * MIN_MS), percent, step) for minute, percent in readings]


@pytest.mark.parametrize(
    ("minutes", "percent", "taken"),
    [
        (0.0, 62.0, True), (0.0, 38.0, True), (0.0, 62.1, False), (0.0, 37.9, False),
        (6.0, 82.0, True), (6.0, 82.1, False),  # 12 and a tenth of 200 up
        (6.0, 8.0, True), (6.0, 7.9, False),  # 12 and a tenth of 300 down
    ],
)  # fmt: skip
def test_what_no_pack_can_do_in_the_time_is_a_jump(minutes: float, percent: float, taken: bool) -> None:
    """12 % at once, and 200 % an hour up or 300 % an hour down."""
    assert believed((0, 50.0), (minutes, percent))[1] == (percent if taken else None)


def test_a_gauge_of_coarse_steps_may_leap_by_one_and_a_half() -> None:
    assert believed((0, 50.0), (0, 80.0), step=20.0)[1] == 80.0
    assert believed((0, 50.0), (0, 80.1), step=20.0)[1] is None
    assert believed((0, 50.0), (0, 62.1), step=None)[1] is None


def test_a_jump_that_lasts_five_minutes_over_three_readings_is_believed() -> None:
    assert believed((0, 50), (1, 0), (3, 0), (6, 0)) == [50, None, None, 0]
    assert believed((0, 50), (1, 0), (5.9, 0)) == [50, None, None]
    assert believed((0, 50), (1, 0), (6, 0)) == [50, None, None], "two readings are too few"
    assert believed((0, 50), (1, 0), (3, 3.0), (6, 0)) == [50, None, None, 0], "within three per cent"
    assert believed((0, 50), (1, 0), (3, 3.1), (6, 3.1)) == [50, None, None, None], "another jump waits anew"
    assert believed((0, 50), (1, 0), (2, 50), (3, 0), (7, 0)) == [50, None, 50, None, None]


def test_a_dip_that_is_made_good_holds_later_falls_for_half_as_long_again() -> None:
    """Down 4 % and 65 % of it back within a minute: from then on the highest of the last 90 s is the level."""
    dip = [(0, 90.0), (0.5, 86.0), (1.0, 88.7)]
    assert believed(*dip, (2.0, 85.0), (2.4, 85.0), (2.6, 85.0)) == [90.0, 86.0, 88.7, 88.7, 88.7, 85.0]
    short = [(0, 90.0), (0.5, 86.0), (1.0, 88.5)]  # 62 % of it
    assert believed(*short, (2.0, 85.0))[-1] == 85.0
    small = [(0, 90.0), (0.5, 88.6), (1.0, 90.0)]  # less than a step and a half
    assert believed(*small, (2.0, 88.0))[-1] == 88.0
    late = [(0, 90.0), (0.5, 86.0), (5.1, 90.0)]
    assert believed(*late, (6.0, 85.0))[-1] == 85.0
    brief = [(0, 90.0), (0.1, 86.0), (0.2, 90.0)]
    assert believed(*brief, (0.6, 85.0), (0.7, 85.0), (0.75, 85.0))[-3:] == [90.0, 90.0, 85.0], "half a minute at least"


@pytest.mark.parametrize(
    ("step", "fall", "dips"), [(0.1, 1.0, True), (0.1, 0.9, False), (2.0, 3.0, True), (2.0, 2.9, False)]
)
def test_a_dip_is_a_fall_of_a_per_cent_and_of_a_step_and_a_half(step: float, fall: float, dips: bool) -> None:
    held = believed((0, 90.0), (0.5, 90.0 - fall), (1.0, 90.0), (1.5, 80.0), step=step)[-1]
    assert held == (90.0 if dips else 80.0)


def test_a_hold_is_never_longer_than_ten_minutes() -> None:
    gauge = GaugeFilter(hold_ms=9 * MIN_MS)
    for minute, percent in ((0, 90.0), (0.1, 86.0), (4.9, 90.0)):
        gauge.take(round(minute * MIN_MS), percent, 1.0)
    assert gauge.hold_ms == 9 * MIN_MS
    slow = GaugeFilter()
    for minute, percent in ((0, 90.0), (2.5, 86.0), (5.0, 90.0)):
        slow.take(round(minute * MIN_MS), percent, 1.0)
    assert slow.hold_ms == 450_000, "one and a half times five minutes"


def test_waits_are_known_by_the_energy_that_was_due() -> None:
    """60 W, a sign each ten minutes: 10 Wh between two; half an hour is three waits."""
    signs = Signs()
    for number in range(41):
        signs.heard(number * 10 * MIN_MS, worked=True, gap_ms=HOUR_MS, recent_w=60.0)
    assert signs.between_wh[""] == pytest.approx([10.0] * 40)
    signs.heard(430 * MIN_MS, worked=False, gap_ms=HOUR_MS, recent_w=60.0)
    wait = signs.wait()
    assert wait is not None
    assert wait.since_ms == 400 * MIN_MS
    assert wait.waits == pytest.approx(3.0)
    # spread 0.15 at least: the normal distribution at ln 3 / 0.15 is 1 to twelve digits
    assert wait.probability == pytest.approx(1.0, abs=1e-9)


def test_the_chance_of_a_wait_is_log_normal_with_a_spread_that_covers_two_of_three() -> None:
    """Waits of 5, 10 and 20 Wh in turn stray by ln 2: a wait of 15 Wh has come by with Phi(ln 1.5 / ln 2) = 0.7208."""
    signs = Signs(between_wh={"": [5.0, 10.0, 20.0] * 20}, worked_ms=0, heard_ms=15 * MIN_MS, rate_w=60.0)
    wait = signs.wait()
    assert wait is not None
    assert wait.probability == pytest.approx(0.5 * math.erfc(-math.log(1.5) / math.log(2) / math.sqrt(2)))
    assert wait.probability == pytest.approx(0.7208, abs=1e-3)
    signs.heard_ms = 39 * MIN_MS
    known = signs.wait()
    assert known is not None
    assert known.probability == pytest.approx(0.95), "never more than this within what is rare"
    few = Signs(between_wh={"": [10.0] * 39}, worked_ms=0, heard_ms=15 * MIN_MS, rate_w=60.0)
    assert few.wait() is None, "forty are enough"
    assert Signs(between_wh={"": [10.0] * 40}, worked_ms=0, heard_ms=15 * MIN_MS, rate_w=0.0).wait() is None


def test_a_wait_within_twice_the_longest_known_is_not_certain() -> None:
    signs = Signs(between_wh={"": [10.0] * 39 + [12.0]}, worked_ms=0, heard_ms=23 * MIN_MS, rate_w=60.0)
    within = signs.wait()
    assert within is not None
    assert within.probability == pytest.approx(0.95)


def test_what_is_rare_is_the_mean_excess_over_the_upper_quarter() -> None:
    """Of 1..8 the upper quarter is 7 and 8, with a mean excess of 0.5: 7 + 0.5 ln(0.25 / 1e-7) = 14.366."""
    assert rare_wait([1, 2, 3, 4, 5, 6, 7, 8]) == pytest.approx(7 + 0.5 * math.log(2.5e6))


def test_one_run_is_one_sign_and_a_gap_begins_anew() -> None:
    signs = Signs()
    signs.heard(0, worked=True, gap_ms=10 * MIN_MS, recent_w=60.0)
    signs.heard(5 * MIN_MS, worked=True, gap_ms=10 * MIN_MS, recent_w=60.0, again=True)
    assert (signs.worked_ms, signs.between_wh) == (5 * MIN_MS, {})
    signs.heard(15 * MIN_MS, worked=True, gap_ms=10 * MIN_MS, recent_w=120.0)
    assert signs.between_wh == {"": [pytest.approx(10.0)]}
    assert signs.rate_w == 120.0
    signs.heard(25 * MIN_MS + 1, worked=True, gap_ms=10 * MIN_MS, recent_w=60.0)
    assert signs.between_wh == {"": [pytest.approx(10.0)]}, "a run may have been missed"
    signs.heard(30 * MIN_MS, worked=True, gap_ms=10 * MIN_MS, recent_w=60.0, source="float")
    assert signs.between_wh == {"": [pytest.approx(10.0)]}, "another source has another rhythm"
    signs.heard(41 * MIN_MS, worked=False, gap_ms=10 * MIN_MS, recent_w=60.0, source="float")
    assert signs.worked_ms is None
    for number in range(200):
        signs.heard((50 + 5 * number) * MIN_MS, worked=True, gap_ms=10 * MIN_MS, recent_w=60.0, source="float")
    assert len(signs.between_wh["float"]) == 160


def reading(second: float, value: float = 1.0, arrived_s: float | None = None) -> Reading:
    at = second if arrived_s is None else arrived_s
    return Reading("larkspur", Quantity.PUMP_POWER, round(second * 1000), value, round(at * 1000))


def test_readings_are_held_for_ninety_seconds_and_let_go_once_a_minute() -> None:
    buffer = Buffer()
    due = [buffer.add(reading(second)) for second in (0, 30, 60, 61, 90)]
    assert due == [False, False, False, True, True]
    assert [item[0] for item in buffer.settle()] == [0]
    assert [item[0] for item in buffer.waiting()] == [30_000, 60_000, 61_000, 90_000]


def test_so_many_readings_are_let_go_at_once() -> None:
    buffer = Buffer()
    due = [buffer.add(reading(number / 10)) for number in range(50)]
    assert due.index(True) == 47, "forty-eight"
    buffer.settle()
    assert buffer.batch == 50 + 48


def test_of_repeats_the_latest_arrival_counts_then_the_greatest() -> None:
    items = [(0, 1, "", 5, 1.0), (0, 1, "", 5, 2.0), (0, 1, "", 9, 0.5), (0, 1, "a", 1, 7.0), (0, 2, "", 1, 8.0)]
    assert standing(items) == items[2:]
    assert key_of(Quantity.LOAD_POWER, "router") == "load_power/router"
    assert key_of(Quantity.PUMP_POWER, "") == "pump_power"


def test_a_time_more_than_two_minutes_ahead_of_its_arrival_is_its_arrival() -> None:
    buffer = Buffer()
    buffer.add(reading(120, arrived_s=0))
    assert (buffer.newest_ms, buffer.ahead_at_ms) == (120_000, None)
    buffer.add(reading(321, arrived_s=200))
    assert (buffer.newest_ms, buffer.ahead_at_ms, buffer.ahead_ms) == (200_000, 200_000, 121_000)


def test_forty_readings_hours_behind_without_a_fresh_one_are_a_clock_that_was_set_back() -> None:
    buffer = Buffer()
    now_s = 10 * 3600
    buffer.add(reading(now_s))
    for number in range(40):
        buffer.add(reading(number, arrived_s=now_s + number))
    assert (buffer.behind_at_ms, len(buffer.items)) == (None, 41)
    buffer.add(reading(40, arrived_s=now_s + 40))
    assert (buffer.behind_at_ms, buffer.behind_ms) == ((now_s + 40) * 1000, now_s * 1000)
    assert len(buffer.items) == 41, "and it is not taken"
    buffer.add(reading(now_s - 6 * 3600 + 1, arrived_s=now_s + 41))
    assert buffer.behind_run == 0, "less than six hours behind is a backlog"


def pack(idle_w: float = 10.0, loads_w: float = 20.0) -> PackDraws:
    """1000 Wh, 80 % efficient; 500 Wh to the reserve, 600 Wh to empty, 100 Wh to full."""
    one = np.ones(1)
    left = (500 * one, 600 * one, 100 * one)
    return PackDraws(1000 * one, 0.8 * one, idle_w * one, loads_w * one, *left, bow=0 * one, skew=0 * one)


def test_drain_is_what_the_pump_and_the_loads_take_through_the_inverter_and_its_idle() -> None:
    """40 Wh of pump and 20 W of loads through 80 %, 10 W idle: after 2 h 50 + 50 + 20 Wh."""
    ahead_s = np.array([0.0, 3600.0, 7200.0])
    drain = cumulative_drain_wh(np.array([[0.0, 10.0, 40.0]]), pack(), ahead_s)
    assert drain[0].tolist() == pytest.approx([0.0, 12.5 + 25 + 10, 50 + 50 + 20])


def test_a_full_pack_takes_no_more_and_what_comes_after_is_drawn_from_full() -> None:
    """100 Wh to full: of 300 Wh of sun against 47.5 Wh drawn only 147.5 are taken; then the pack falls again."""
    ahead_s = np.array([0.0, 3600.0, 7200.0])
    pump, sun = np.array([[0.0, 10.0, 40.0]]), np.array([[0.0, 300.0, 300.0]])
    drain = cumulative_drain_wh(pump, pack(), ahead_s, sun)
    assert drain[0].tolist() == pytest.approx([0.0, -100.0, -100.0 + 120.0 - 47.5])


def test_hours_are_told_between_the_points_of_the_grid() -> None:
    """A drain of 0, 100, 300 Wh at 0, 1, 3 h reaches 200 Wh after 2 h, 300 Wh after 3 h and 301 Wh never."""
    drain, ahead_s = np.array([[0.0, 100.0, 300.0]]), np.array([0.0, 3600.0, 10_800.0])
    found = [float(first_passage(drain, np.array([wh]), ahead_s)[0]) for wh in (-5.0, 0.0, 50.0, 200.0, 300.0, 301.0)]
    assert found == pytest.approx([0.0, 0.0, 0.5, 2.0, 3.0, math.inf])


def test_the_grid_ahead_is_fine_at_first_and_reaches_two_weeks() -> None:
    grid_h = ahead_grid_s() / 3600.0
    assert (grid_h.size, grid_h[0], grid_h[-1]) == (128, 0.0, pytest.approx(336.0))
    # 8 h (43^(1/127) - 1) at first: a quarter of an hour; 344 h (1 - 43^(-1/127)) at last: 10 h
    assert grid_h[1] == pytest.approx(8 * (43 ** (1 / 127) - 1))
    assert grid_h[-1] - grid_h[-2] == pytest.approx(344 * (1 - 43 ** (-1 / 127)))


def test_points_needed_are_those_to_the_last_empty_pack() -> None:
    """600 Wh at 10 + 20 / 0.8 = 35 W are 17.14 h; with 28 W of pump more, 70 W, 8.57 h."""
    ahead_s = np.arange(0.0, 40.0) * 3600.0
    assert points_needed(pack(), ahead_s) == 18 + 2
    assert points_needed(pack(), ahead_s, 28.0) == 9 + 2
    assert points_needed(pack(idle_w=0.0, loads_w=0.0), ahead_s) == 40


def test_quantiles_stand_in_the_middle_of_their_draws() -> None:
    """Of ten equally likely times the 10 % point is halfway between the first and the second (Hazen's position)."""
    found = quantiles(np.arange(1.0, 11.0))
    assert found.values() == pytest.approx((1.0, 1.5, 3.0, 5.5, 8.0, 9.5, 10.0))
    late = quantiles(np.array([1.0, 336.0, 336.1]))
    assert (late.p50, late.p90) == (336.0, None)


def test_survival_is_by_the_hour_until_all_have_gone() -> None:
    hours = np.array([0.5, 1.0, 1.5, 3.2])
    found = survival(hours, 1000)
    assert [(point.at_ms, point.probability) for point in found] == [
        (1000 + HOUR_MS, 0.5), (1000 + 2 * HOUR_MS, 0.25), (1000 + 3 * HOUR_MS, 0.25),
        (1000 + 4 * HOUR_MS, 0.0), (1000 + 5 * HOUR_MS, 0.0),
    ]  # fmt: skip
    assert survival_at(hours, 1.0) == 0.5
    assert len(survival(np.array([1.0, np.inf]), 0, 24.0)) == 24
    assert len(survival(np.array([23.5]), 0, 24.0)) == 24


# -- a second pump, the shape of the pump's energy ahead, and spans of time in words


def second_pump() -> SecondPump:
    """A backup that starts 0.06 m above the first one's float, in a pit with a drawdown of 0.18 m."""
    backup = NamedPump("backup", Pump(rated_power_w=300.0), starts_above_m=0.06)
    made = SecondPump.of(replace(LARKSPUR, pumps=(NamedPump("main", LARKSPUR.pump), backup)))
    assert made is not None
    return made


def test_a_span_of_the_first_pump_has_what_the_second_lifted_in_it() -> None:
    """Runs that began from the span's start on and before its end; those are booked, later ones wait."""
    second = second_pump()
    second.lifted = [(0, 1.0), (1000, 2.0), (1999, 4.0), (2000, 8.0)]
    span = second.with_lifted(PumpSpan(1000, 2000, 10.0))
    assert span == PumpSpan(1000, 2000, 16.0)
    assert second.lifted == [(2000, 8.0)]
    assert second.spans.end_ms == 2000
    second.spans.end_ms = 9000
    second.with_lifted(PumpSpan(2000, 3000, 1.0))
    assert second.spans.end_ms == 9000


def test_the_newest_two_hundred_runs_of_the_second_pump_wait_for_a_span() -> None:
    second, first = second_pump(), Lifting(Segmenter.of(LARKSPUR), Spans(), Normals(), Signs())
    share = second.own_share(first.segmenter.running_w)
    for number in range(203):
        run = Run(
            "larkspur",
            number * HOUR_MS,
            number * HOUR_MS + 9_000,
            share,
            300.0,
            300.0,
            Quantity.PUMP_POWER,
            Supply.PACK,
            9,
        )
        second._run(run, first, alone=False)
        second.lifted = [(at_ms, round(wh, 9)) for at_ms, wh in second.lifted]
        second.taken_ms = None
    assert second.lifted == [(number * HOUR_MS, 1.0) for number in range(3, 203)]


def test_a_float_that_hangs_higher_is_waited_for_longer() -> None:
    """1 + 0.06 / 0.18: a third longer."""
    assert second_pump().stretch == pytest.approx(4 / 3)


def test_the_pumps_energy_ahead_is_what_the_charge_falls_by_less_what_else_is_drawn() -> None:
    """From 60 % with 500 Wh to a reserve of 10 %: 10 Wh a percent; 20 W of other loads."""

    def path(*points: tuple[float, float]) -> Forecast:
        drain = tuple(ChargeAhead(START_MS + round(h * HOUR_MS), p50, p50, p50) for h, p50 in points)
        return forecast(START_MS, drain_path=drain)

    ahead = path((0, 60.0), (1, 52.0), (2, 48.0), (3, 47.0), (4, 0.0))
    assert list(_pump_shape(ahead, 10.0, 500.0, 20.0)) == [(0.0, 0.0), (1.0, 60.0), (2.0, 80.0), (3.0, 80.0)]
    assert list(_pump_shape(path((0, 60.0)), 10.0, 500.0, 20.0)) == [(0.0, 0.0), (1.0, 1.0)]
    assert list(_pump_shape(path((0, 10.0), (1, 5.0)), 10.0, 500.0, 20.0)) == [(0.0, 0.0), (1.0, 1.0)]
    assert list(_pump_shape(path((0, 60.0), (1, 59.0)), 10.0, 500.0, 20.0)) == [(0.0, 0.0), (1.0, 1.0)]


@pytest.mark.parametrize(("minutes", "said"), [(119, "119 min"), (120, "2 h"), (4319, "72 h"), (4320, "3 days")])
def test_how_far_a_clock_is_off_is_told_in_minutes_hours_or_days(minutes: int, said: str) -> None:
    """From two hours on in hours, from three days on in days."""
    buffer = Buffer(newest_ms=START_MS + minutes * MIN_MS)
    assert said in (_clock(buffer, START_MS) or "")


def test_when_a_clock_is_suspect() -> None:
    """Two minutes ahead of here, or a source that was ahead or behind within the last half hour."""
    assert _clock(Buffer(newest_ms=START_MS + 120_000), START_MS) is None
    assert _clock(Buffer(newest_ms=START_MS + 120_001), START_MS) is not None
    ahead, behind = Buffer(ahead_at_ms=START_MS, ahead_ms=HOUR_MS), Buffer(behind_at_ms=START_MS, behind_ms=HOUR_MS)
    for buffer in (ahead, behind):
        assert "60 min" in (_clock(buffer, START_MS + 1_799_999) or "")
        assert _clock(buffer, START_MS + 1_800_000) is None


def test_an_owners_limit_for_silence_is_in_seconds() -> None:
    site = replace(
        LARKSPUR,
        channels=(
            Channel(Quantity.MAINS_PRESENT, "cellar/mains", max_silence_s=7.5),
            Channel(Quantity.LOAD_POWER, "cellar/router", of="router", max_silence_s=60.0),
            Channel(Quantity.PACK_CHARGE, "cellar/pack"),
        ),
    )
    fold = Fold.of(site)
    assert fold.stated_ms == {"mains_present": 7_500, "load_power/router": 60_000}
    assert fold.supply.mains.silence_ms == 7_500
