"""Who carries the pump: told by a sensor, inferred from the pack, and who may overrule whom."""

from __future__ import annotations

import pytest

from forecaster.domain.runs import Supply
from forecaster.supply import Change, SupplyTracker
from tests.forecaster.cellar import START

MINUTE = 60_000


def falling(tracker: SupplyTracker, start_ms: int, percents: list[float], every_ms: int = 10 * MINUTE) -> list[Change]:
    found = [tracker.on_charge(start_ms + every_ms * index, percent) for index, percent in enumerate(percents)]
    return [change for change in found if change is not None]


def test_a_sensor_is_believed_at_once() -> None:
    assert SupplyTracker.of(None).inferred
    tracker = SupplyTracker.of(None)
    assert tracker.on_mains(START, 1.0) is None
    assert not tracker.inferred
    assert tracker.on_mains(START + 1_000, 0.0) == Change(START + 1_000, Supply.PACK, False)
    assert tracker.on_mains(START + 2_000, 0.0) is None
    assert tracker.on_mains(START + 9_000, 1.0) == Change(START + 9_000, Supply.MAINS, False)


def test_a_falling_charge_tells_it_and_dates_it_back_to_the_fall() -> None:
    tracker = SupplyTracker.of(None)
    found = falling(tracker, START, [100, 100, 100, 100, 99, 99, 98, 97])
    assert found == [Change(START + 3 * 10 * MINUTE, Supply.PACK, True)]
    back = falling(tracker, START + 100 * MINUTE, [96, 95, 95, 96, 97, 99])
    assert back == [Change(START + 120 * MINUTE, Supply.MAINS, True)]


def test_one_step_of_charge_is_no_outage_unless_nothing_flows_in() -> None:
    tracker = SupplyTracker.of(None)
    assert falling(tracker, START, [100, 99, 100, 99, 100, 99]) == []
    quiet = SupplyTracker.of(None)
    for minute in range(0, 60, 5):
        assert quiet.on_input(START + minute * MINUTE, 0.0) is None
    assert falling(quiet, START + 60 * MINUTE, [100, 99]) == [Change(START + 60 * MINUTE, Supply.PACK, True)]


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


def test_a_sensor_that_is_heard_is_never_overruled() -> None:
    tracker = SupplyTracker.of(None)
    for minute in range(0, 60, 1):
        tracker.on_mains(START + minute * MINUTE, 1.0)
        assert tracker.on_charge(START + minute * MINUTE + 1, 100.0 - minute) is None
    assert tracker.supply is Supply.MAINS
