"""Who carries the pump: told by a sensor, inferred from the pack, and who may overrule whom."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from forecaster.domain.runs import Supply
from forecaster.engine.supply import SupplyChange, SupplyTracker
from tests.forecaster.cellar import START

MINUTE = 60_000


def falling(
    tracker: SupplyTracker, start_ms: int, percents: list[float], every_ms: int = 10 * MINUTE
) -> list[SupplyChange]:
    found = [tracker.on_charge(start_ms + every_ms * index, percent) for index, percent in enumerate(percents)]
    return [change for change in found if change is not None]


def flagged(tracker: SupplyTracker, said: list[tuple[int, float]]) -> list[SupplyChange]:
    """Changes as a sensor says mains or not at seconds after the start."""
    found = [tracker.on_mains(START + 1_000 * second, value) for second, value in said]
    return [change for change in found if change is not None]


def test_a_loss_is_believed_at_once_and_a_return_when_it_lasts() -> None:
    assert SupplyTracker.of(None).inferred
    tracker = SupplyTracker.of(None)
    assert tracker.on_mains(START, 1.0) is None
    assert not tracker.inferred
    assert tracker.on_mains(START + 1_000, 0.0) == SupplyChange(START + 1_000, Supply.PACK, False)
    assert tracker.on_mains(START + 2_000, 0.0) is None
    assert flagged(tracker, [(600 + second, 1.0) for second in range(0, 120, 30)]) == []
    assert tracker.returning(START + 690_000)
    assert flagged(tracker, [(720, 1.0)]) == [SupplyChange(START + 600_000, Supply.MAINS, False)]


def test_a_sensor_that_dies_with_the_mains_does_not_go_on_saying_that_they_are_back() -> None:
    """Its last word was "mains"; the charge that then falls is believed, and nothing returns."""
    tracker = SupplyTracker.of(None)
    flagged(tracker, [(60 * minute, 1.0) for minute in range(60)])
    changes = falling(tracker, START + 61 * MINUTE, [100.0, 100.0, 99.0, 98.0, 97.0, 96.0])
    assert [change.to for change in changes] == [Supply.PACK]
    assert tracker.suspect_ms is None, "it is silent, not wrong"
    assert not tracker.returning(START + 121 * MINUTE)
    assert flagged(tracker, [(130 * 60, 1.0), (131 * 60, 1.0)]) == []
    assert tracker.returning(START + 131 * MINUTE), "it speaks again"
    assert flagged(tracker, [(132 * 60, 1.0)]) == [SupplyChange(START + 130 * MINUTE, Supply.MAINS, False)]


def test_a_return_is_found_by_the_clock_where_nothing_more_is_said() -> None:
    tracker = SupplyTracker.of(600_000)
    flagged(tracker, [(0, 1.0), (60, 0.0), (900, 1.0)])
    assert not tracker.overdue(START + 960_000)
    assert tracker.overdue(START + 1_020_000)
    assert tracker.pass_time(START + 1_020_000) == SupplyChange(START + 900_000, Supply.MAINS, False)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.integers(3, 110), st.booleans()), min_size=20, max_size=300))
def test_a_sensor_that_chatters_in_an_outage_flips_the_supply_once(beats: list[tuple[int, bool]]) -> None:
    """However it chatters, as long as it never says mains for two minutes on end."""
    tracker, second, mains_s = SupplyTracker.of(None), 3600, 0
    said = [(minute * 60, 1.0) for minute in range(60)] + [(second, 0.0)]
    for every, up in beats:
        second += every
        mains_s = mains_s + every if up else 0
        too_long = mains_s > 115
        mains_s = 0 if too_long else mains_s
        said.append((second, 1.0 if up and not too_long else 0.0))
    assert [change.to for change in flagged(tracker, said)] == [Supply.PACK]


def test_a_sensor_stuck_at_mains_is_overruled_by_the_charge_and_believed_again_after_a_day() -> None:
    tracker = SupplyTracker.of(None)
    found = []
    for minute in range(60 * 30):
        percent = 100.0 if minute < 60 else max(100.0 - (minute - 60) // 6, 40.0) if minute < 180 else 100.0
        found.append(tracker.on_mains(START + minute * MINUTE, 1.0))
        found.append(tracker.on_charge(START + minute * MINUTE + 1, percent))
        if minute == 120:
            assert tracker.suspect_ms is not None
    changes = [change for change in found if change is not None]
    assert [change.to for change in changes] == [Supply.PACK, Supply.MAINS]
    assert START + 60 * MINUTE <= changes[0].at_ms <= START + 66 * MINUTE
    assert tracker.suspect_ms is None


def test_a_sensor_that_is_wired_the_wrong_way_round_is_overruled_both_ways() -> None:
    tracker = SupplyTracker.of(None)
    found = []
    for minute in range(60 * 20):
        lost = 600 <= minute < 900
        percent = 100.0 - (minute - 600) / 6.0 if lost else 100.0
        found.append(tracker.on_mains(START + minute * MINUTE, 1.0 if lost else 0.0))
        found.append(tracker.on_charge(START + minute * MINUTE + 1, float(round(percent))))
    told = [(change.to, (change.at_ms - START) // MINUTE) for change in found if change is not None]
    assert [to for to, _ in told] == [Supply.PACK, Supply.MAINS, Supply.PACK, Supply.MAINS]
    assert told[1][1] < 300
    assert 600 <= told[2][1] <= 620
    assert told[3][1] >= 890


@pytest.mark.parametrize("step", [0.1, 1.0])
def test_a_gauge_that_sags_under_the_pump_does_not_bring_the_mains_back(step: float) -> None:
    tracker, found = SupplyTracker.of(None), []
    for tick in range(6 * 60 * 8):
        minute = tick / 6.0
        true = 100.0 if minute < 60 else 100.0 - (minute - 60.0) / 6.0
        sag = 2.5 if minute >= 60 and tick % 12 < 2 else 0.0
        found.append(tracker.on_charge(START + tick * 10_000, round((true - sag) / step) * step))
    assert [change.to for change in found if change is not None] == [Supply.PACK]


def test_a_spike_of_the_gauge_does_not_bring_the_mains_back() -> None:
    tracker, found = SupplyTracker.of(None), []
    for half in range(2 * 60 * 6):
        minute = half / 2.0
        percent = 100.0 if minute < 60 else round(100.0 - (minute - 60.0) / 5.0)
        percent = 0.0 if 150 <= minute < 151.5 else 100.0 if 151.5 <= minute < 153 else percent
        found.append(tracker.on_charge(START + half * 30_000, percent))
    assert [change.to for change in found if change is not None] == [Supply.PACK]


def test_a_falling_charge_tells_it_and_dates_it_back_to_the_fall() -> None:
    tracker = SupplyTracker.of(None)
    found = falling(tracker, START, [100, 100, 100, 100, 99, 99, 98, 97])
    assert found == [SupplyChange(START + 3 * 10 * MINUTE, Supply.PACK, True)]
    back = falling(tracker, START + 100 * MINUTE, [96, 95, 95, 96, 97, 99])
    assert back == [SupplyChange(START + 120 * MINUTE, Supply.MAINS, True)]


def test_one_step_of_charge_is_no_outage_unless_nothing_flows_in() -> None:
    tracker = SupplyTracker.of(None)
    assert falling(tracker, START, [100, 99, 100, 99, 100, 99]) == []
    quiet = SupplyTracker.of(None)
    for minute in range(0, 60, 5):
        assert quiet.on_input(START + minute * MINUTE, 0.0) is None
    assert falling(quiet, START + 60 * MINUTE, [100, 99]) == [SupplyChange(START + 60 * MINUTE, Supply.PACK, True)]


def test_charging_is_no_outage_though_the_charge_falls() -> None:
    tracker = SupplyTracker.of(None)
    tracker.on_input(START, 200.0)
    assert falling(tracker, START, [90, 89, 88, 87]) == []


@pytest.mark.parametrize("last", [0.0, 1.0])
def test_a_sensor_that_died_with_the_mains_lets_the_pack_speak_but_sun_does_not_bring_the_mains_back(
    last: float,
) -> None:
    tracker = SupplyTracker.of(90_000)
    for second in range(0, 600, 30):
        tracker.on_mains(START + second * 1000, 1.0)
    tracker.on_mains(START + 600_000, last)
    if last == 1.0:
        assert falling(tracker, START + 30 * MINUTE, [100, 99, 98, 97])[0].to is Supply.PACK
    else:
        assert tracker.supply is Supply.PACK
        assert falling(tracker, START + 30 * MINUTE, [90, 92, 95, 99]) == []
        assert tracker.supply is Supply.PACK


def watched(percent: float, hours: float = 25.0, sags: tuple[float, ...] = ()) -> tuple[SupplyTracker, int]:
    """A tracker that has watched a charge stand still on mains, but for sags of an hour; and the time after that."""
    tracker, minutes = SupplyTracker.of(None), int(hours * 60)
    lows = {60 * (2 + 3 * index): sag for index, sag in enumerate(sags)}
    for minute in range(0, minutes, 10):
        sag = next((sag for begins, sag in lows.items() if begins <= minute < begins + 60), 0.0)
        assert tracker.on_charge(START + minute * MINUTE, percent - sag) is None
    return tracker, START + minutes * MINUTE


def test_a_pack_that_stood_still_for_a_day_tells_by_its_first_step_down() -> None:
    tracker, now = watched(100.0)
    assert falling(tracker, now, [100, 99]) == [SupplyChange(now, Supply.PACK, True)]
    fine, now = watched(100.0)
    assert falling(fine, now, [100.0, 99.8, 99.6, 99.4]) == [SupplyChange(now, Supply.PACK, True)]


def test_a_pack_that_sags_on_mains_is_given_its_sag() -> None:
    tracker, now = watched(100.0, sags=(1.0, 1.0))
    assert falling(tracker, now, [100, 99, 99, 100]) == []
    [lost] = falling(tracker, now + 60 * MINUTE, [100, 99, 98])
    assert lost.to is Supply.PACK


def test_a_small_fall_that_is_made_good_is_the_mains_back_and_is_not_taken_for_a_loss_again() -> None:
    tracker, now = watched(100.0)
    assert [change.to for change in falling(tracker, now, [99, 100, 100])] == [Supply.PACK, Supply.MAINS]
    assert falling(tracker, now + 60 * MINUTE, [100, 99, 100, 99, 100]) == []


def test_a_clear_fall_though_something_flows_in_is_a_loss_of_the_mains_with_sun() -> None:
    tracker = SupplyTracker.of(None)
    tracker.on_input(START, 60.0)
    [lost] = falling(tracker, START, [95, 94, 93, 92, 91, 90])
    assert lost == SupplyChange(START, Supply.PACK, True)


@pytest.mark.parametrize(("percent", "lost"), [(98.0, True), (98.9, True), (99.0, False), (99.6, False)])
def test_a_full_pack_takes_nothing_and_has_lost_no_mains(percent: float, lost: bool) -> None:
    """From 99 % on a pack counts as full: chargers end there (common practice, no source)."""
    tracker = SupplyTracker.of(None)
    tracker.on_charge(START, 99.8)
    tracker.on_charge(START + MINUTE, percent)
    found = [tracker.on_input(START + minute * MINUTE, 0.0) for minute in range(1, 11)]
    assert any(change is not None and change.to is Supply.PACK for change in found) is lost
