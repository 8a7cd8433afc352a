"""What the guard of a channel does, just within and just beyond each limit, and the sentences it tells with."""

from __future__ import annotations

from dataclasses import replace

import pytest

from collector.guard import says
from collector.guard.channel import GuardedChannel, Speaker, rated_w
from collector.guard.lag import ClockLag
from collector.guard.window import much_refused
from forecaster.domain.channels import DoubtKind
from forecaster.domain.quantities import Quantity
from forecaster.domain.readings import Reading
from forecaster.domain.site import Pump
from forecaster.twin.live import larkspur_site

MIN_MS = 60_000
SITE = replace(larkspur_site(), pump=Pump(rated_power_w=480.0))
LEFT, RIGHT = "cellar/left", "cellar/right"


def guarded(quantity: Quantity) -> GuardedChannel:
    return GuardedChannel(SITE, quantity, "")


def admitted(channel: GuardedChannel, minute: float, value: float, topic: str = LEFT) -> bool:
    at_ms = round(minute * MIN_MS)
    found = channel.admit(Reading("larkspur", channel.quantity, at_ms, value, at_ms), topic)
    return isinstance(found, Reading)


@pytest.mark.parametrize(
    ("pump", "watts"),
    [
        (Pump(rated_power_w=480.0), 480.0),
        (Pump(rated_voltage_v=115.0, rated_current_a=(4.0, 6.0)), 115 * 5 * 0.8),
        (Pump(rated_voltage_v=115.0, rated_current_a=(4.0, 6.0), power_factor=0.7), 115 * 5 * 0.7),
        (Pump(rated_voltage_v=115.0), None),
        (Pump(rated_current_a=(4.0, 6.0)), None),
    ],
)
def test_power_by_the_nameplate(pump: Pump, watts: float | None) -> None:
    """Volts times the middle of the amperes times a power factor of 0.8 (common practice, no source)."""
    assert rated_w(pump) == (None if watts is None else pytest.approx(watts))


@pytest.mark.parametrize(("pause_ms", "silent_ms"), [(1_000.0, 900_000), (400_000.0, 1_200_000)])
def test_a_device_is_heard_for_a_quarter_of_an_hour_or_three_of_its_pauses(pause_ms: float, silent_ms: int) -> None:
    speaker = Speaker(0, 0, pause_ms, 1.0, 1.0)
    assert speaker.speaks(silent_ms)
    assert not speaker.speaks(silent_ms + 1)


def test_a_devices_pause_follows_by_a_fifth() -> None:
    channel = guarded(Quantity.PUMP_POWER)
    for minute in (0.0, 10.0, 20.0):
        admitted(channel, minute, 5.0)
    assert channel.speakers[LEFT].pause_ms == pytest.approx((0.2 + 0.8 * 0.2) * 600_000)


@pytest.mark.parametrize(("lower", "taken"), [(78.0, LEFT), (77.9, RIGHT)])
def test_of_two_packs_the_one_that_is_lower_by_two_per_cent_is_followed(lower: float, taken: str) -> None:
    channel = guarded(Quantity.PACK_CHARGE)
    admitted(channel, 0, 80.0)
    admitted(channel, 1, lower, RIGHT)
    assert channel.taken_topic == taken
    assert DoubtKind.TOPICS in channel.doubts
    assert admitted(channel, 2, 80.0) is (taken == LEFT)


@pytest.mark.parametrize(("near_w", "taken"), [(490.0, RIGHT), (640.0, LEFT), (600.0, RIGHT)])
def test_of_two_plugs_the_one_twice_as_near_to_the_nameplate_is_followed(near_w: float, taken: str) -> None:
    """The first shows 760 W, 0.583 beyond 480 W: 600 W is 0.25 beyond, 640 W is 0.333."""
    channel = guarded(Quantity.PUMP_POWER)
    admitted(channel, 0, 760.0)
    admitted(channel, 1, near_w, RIGHT)
    assert channel.taken_topic == taken
    low = guarded(Quantity.PUMP_POWER)
    admitted(low, 0, 240.0)  # 480 / 240 - 1: as far off as 960 W
    admitted(low, 1, 330.0, RIGHT)  # 0.4545
    assert low.taken_topic == RIGHT


def test_a_second_device_is_no_doubt_any_more_once_it_is_silent() -> None:
    channel = guarded(Quantity.PUMP_CURRENT)
    admitted(channel, 0, 1.0)
    admitted(channel, 1, 1.0, RIGHT)
    assert channel.facts().topics == (LEFT, RIGHT)
    admitted(channel, 15.9, 1.0)
    assert DoubtKind.TOPICS in channel.doubts
    admitted(channel, 16.1, 1.0)
    assert channel.facts().topics == (LEFT,)
    assert DoubtKind.TOPICS not in channel.doubts


@pytest.mark.parametrize(("count", "minutes", "doubted"), [(10, 5.0, True), (9, 5.0, False), (10, 4.9, False)])
def test_ten_charges_of_at_most_one_in_five_minutes_are_shares(count: int, minutes: float, doubted: bool) -> None:
    channel = guarded(Quantity.PACK_CHARGE)
    for number in range(count):
        assert not admitted(channel, number * minutes / (count - 1), 0.9)
    assert (DoubtKind.SCALE in channel.doubts) is doubted
    assert admitted(channel, 6.0, 1.1)
    assert DoubtKind.SCALE not in channel.doubts


def test_an_empty_pack_is_no_share() -> None:
    assert admitted(guarded(Quantity.PACK_CHARGE), 0, 0.0)


def power_runs(high: float, runs: int, low: float = 0.0) -> GuardedChannel:
    channel = guarded(Quantity.PUMP_POWER)
    for run in range(runs):
        admitted(channel, run, low)
        admitted(channel, run + 0.5, high)
    return channel


@pytest.mark.parametrize(
    ("high", "runs", "doubted"),
    [
        (0.48, 2, False), (0.48, 3, True), (1.6, 3, True), (1.61, 3, False), (0.16, 3, True), (0.159, 3, False),
        (480.0, 9, False),
    ],
)  # fmt: skip
def test_a_power_a_thousand_times_too_small_is_kilowatts(high: float, runs: int, doubted: bool) -> None:
    """From 300 to 3000 times below 480 W, after three rises."""
    channel = power_runs(high, runs)
    assert (DoubtKind.SCALE in channel.doubts) is doubted
    assert admitted(channel, 99.0, 0.0) is not doubted


@pytest.mark.parametrize(
    ("low", "high", "minutes", "doubted"),
    [(145.0, 480.0, 8.0, True), (143.0, 480.0, 8.0, False), (145.0, 480.0, 7.9, False), (10.0, 20.0, 8.0, False),
     (10.0, 20.1, 8.0, True)],
)  # fmt: skip
def test_a_power_that_never_falls_below_three_tenths_is_restless(
    low: float, high: float, minutes: float, doubted: bool
) -> None:
    """After eight minutes, of more than 20 W; it is told and believed."""
    channel = guarded(Quantity.PUMP_POWER)
    admitted(channel, 0.0, high)
    assert admitted(channel, minutes, low)
    assert (DoubtKind.RESTLESS in channel.doubts) is doubted
    admitted(channel, minutes + 1, 0.0)
    assert DoubtKind.RESTLESS not in channel.doubts


def test_among_refused_messages_the_first_three_are_taken() -> None:
    channel = guarded(Quantity.PUMP_POWER)
    for minute in range(3):
        channel.refuse(LEFT, "no number", minute * MIN_MS)
    assert DoubtKind.REFUSING in channel.doubts
    assert [admitted(channel, 3 + k, 5.0 + k) for k in range(4)] == [True, True, True, False]
    facts = channel.facts()
    assert (facts.taken, facts.refused, facts.withheld) == (3, 3, 1)


def test_messages_of_a_device_that_is_not_followed_are_not_held_against_the_channel() -> None:
    channel = guarded(Quantity.PUMP_POWER)
    admitted(channel, 0, 5.0)
    channel.refuse(RIGHT, "no number", MIN_MS)
    assert channel.facts().refused == 0
    channel.refuse(LEFT, "no number", MIN_MS)
    assert channel.facts().refused == 1


@pytest.mark.parametrize(("refused", "taken", "much"), [(3, 57, True), (3, 58, False), (2, 0, False), (10, 190, True)])
def test_a_twentieth_of_the_messages_and_at_least_three_are_much(refused: int, taken: int, much: bool) -> None:
    assert much_refused(refused, taken) is much


def test_amounts_of_one_millisecond_are_told_apart() -> None:
    """Two tips of a rain gauge without a time of their own."""
    channel = guarded(Quantity.RAIN_DEPTH)
    found = [channel.admit(Reading("larkspur", Quantity.RAIN_DEPTH, 1000, 0.2, 1000), LEFT) for _ in range(3)]
    assert [one.time_ms for one in found if isinstance(one, Reading)] == [1000, 1001, 1002]
    timed = channel.admit(Reading("larkspur", Quantity.RAIN_DEPTH, 900, 0.2, 1000), LEFT)
    assert isinstance(timed, Reading)
    assert timed.time_ms == 900


@pytest.mark.parametrize(("second", "saved"), [(9.0, False), (10.5, False), (10.6, True)])
def test_a_greatest_value_is_worth_keeping_once_it_grows_by_more_than_a_twentieth(second: float, saved: bool) -> None:
    """And the first of all; the guard's own greatest value follows each."""
    channel = guarded(Quantity.PUMP_CURRENT)
    admitted(channel, 0, 10.0)
    assert channel.changed
    channel.changed = False
    admitted(channel, 1, second)
    assert channel.changed is saved
    assert channel.high == max(second, 10.0)


def test_what_was_learnt_is_taken_up() -> None:
    kept = replace(guarded(Quantity.PUMP_POWER).facts(), topics=(RIGHT, LEFT), high=500.0, lag_ms=7, rested=True)
    channel = GuardedChannel(SITE, Quantity.PUMP_POWER, "", kept)
    assert (channel.taken_topic, channel.high, channel.lag.ms, channel.rested) == (RIGHT, 500.0, 7, True)


# -- clocks


def lagging(lag_s: float, minutes: list[float]) -> tuple[ClockLag, list[int | None]]:
    """What is believed of messages that arrive so late, as a difference from their arrival [ms]."""
    clock, found = ClockLag(), []
    for minute in minutes:
        arrived = round(minute * MIN_MS)
        time_ms = clock.corrected(arrived - round(lag_s * 1000), arrived)
        found.append(None if time_ms is None else time_ms - arrived)
    return clock, found


@pytest.mark.parametrize(("lag_s", "believed"), [(120.0, -120_000), (-120.0, 120_000), (-120.1, None)])
def test_two_minutes_are_on_time_and_more_ahead_is_not_believed(lag_s: float, believed: int | None) -> None:
    assert lagging(lag_s, [0.0])[1] == [believed]


def test_five_messages_over_four_minutes_make_a_lag() -> None:
    clock, found = lagging(600.0, [0, 1, 2, 3, 4])
    assert clock.ms == 600_000
    assert found == [-600_000] * 4 + [0]
    assert lagging(600.0, [0, 1, 2, 4])[0].ms is None, "four are too few"
    assert lagging(600.0, [0, 1, 2, 3, 3.9])[0].ms is None, "too soon"
    assert lagging(600.0, [0, 13, 14, 15, 16])[0].ms is None, "what is older than twelve minutes does not count"


@pytest.mark.parametrize(
    ("lag_min", "taken_min"), [(59.1, 60.0), (60.9, 60.0), (58.9, 58.9), (-59.5, -60.0), (20.0, 20.0)]
)
def test_a_lag_within_a_minute_of_quarters_of_an_hour_is_those(lag_min: float, taken_min: float) -> None:
    """Time zones and summer time: whole quarters of an hour."""
    assert lagging(60 * lag_min, [0, 1, 2, 3, 4])[0].ms == round(taken_min * MIN_MS)


def test_lags_that_stray_by_more_than_a_minute_agree_on_nothing() -> None:
    clock = ClockLag()
    for minute, lag_s in enumerate((600, 610, 620, 640, 661)):
        clock.corrected(minute * MIN_MS - lag_s * 1000, minute * MIN_MS)
    assert clock.ms is None
    clock = ClockLag()
    for minute, lag_s in enumerate((600, 610, 620, 640, 660)):
        clock.corrected(minute * MIN_MS - lag_s * 1000, minute * MIN_MS)
    assert clock.ms == 600_000, "the least: the others came late"


def test_five_messages_in_a_row_that_disagree_end_a_lag() -> None:
    clock, _ = lagging(1000.0, [0, 1, 2, 3, 4])
    for k in range(5):
        assert clock.ms == 1_000_000
        clock.corrected((20 + 20 * k) * MIN_MS - 400_000, (20 + 20 * k) * MIN_MS)
    assert clock.ms is None


def test_a_message_on_time_ends_a_lag() -> None:
    clock, _ = lagging(1000.0, [0, 1, 2, 3, 4])
    assert clock.corrected(10 * MIN_MS, 10 * MIN_MS) == 10 * MIN_MS
    assert clock.ms is None


@pytest.mark.parametrize(
    ("span_ms", "words"), [(60_000, "1 min"), (119 * MIN_MS, "119 min"), (120 * MIN_MS, "2 h"), (150 * MIN_MS, "2.5 h")]
)
def test_spans_are_told_in_minutes_and_from_two_hours_on_in_hours(span_ms: int, words: str) -> None:
    assert says.span(span_ms) == words


def test_which_way_a_clock_is_off() -> None:
    assert "behind" in says.lag(3 * 60 * MIN_MS)
    assert "ahead" in says.lag(-3 * 60 * MIN_MS)
    assert says.off_by(MIN_MS) != says.off_by(-MIN_MS)
    assert "a, b, c, d" in says.topics("a", ["b", "c", "d", "e"])
    assert "5" in says.several("a", ["b", "c", "d", "e"])
