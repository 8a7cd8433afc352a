"""Few messages: one for what happens at once, and room kept for what is still to come."""

from __future__ import annotations

from typing import Any

import pytest

from forecaster.alarms.evidence import AlarmEvidence, Outside
from forecaster.alarms.grouping import is_news
from forecaster.alarms.standing import Standing
from forecaster.domain.alarms import Alarm, AlarmKind, AlarmState, AlarmTransition, Priority, TransitionKind
from forecaster.domain.runs import Supply
from forecaster.domain.site import AlarmLimits
from forecaster.domain.status import Spread
from tests.forecaster.evidence import LARKSPUR, MINUTE, START_MS, House, forecast, hours, status

K = AlarmKind


def on_pack(house: House, **facts: Any) -> dict[str, Any]:
    return {"supply": Supply.PACK, "supply_since_ms": house.now_ms, "charge_percent": 80.0, **facts}


@pytest.mark.parametrize(("inferred", "opening"), [(False, "Mains lost"), (True, "Mains seems lost since")])
@pytest.mark.parametrize(
    ("left_h", "kind", "says"),
    [(5.0, K.LOW_RESERVE, "the pack is low"), (1.5, K.CRITICAL_RESERVE, "the pack is nearly used up")],
)
def test_a_reserve_that_is_short_from_the_start_is_told_with_the_loss(
    left_h: float, kind: AlarmKind, says: str, inferred: bool, opening: str
) -> None:
    house = House()
    house.hold(10, hours(left_h))
    house.hold(20, hours(left_h), **on_pack(house, supply_inferred=inferred))
    raised = [item.alarm.kind for item in house.said if item.kind is TransitionKind.RAISED]
    assert set(raised) == {K.MAINS_LOST, K.LOW_RESERVE, kind}
    told = house.told()
    assert [item.alarm.kind for item in told] == [kind]
    assert opening in told[0].alarm.headline
    assert says in told[0].alarm.headline
    assert "generator" in told[0].alarm.action
    lost = next(item for item in house.said if item.alarm.kind is K.MAINS_LOST)
    assert lost.at_ms == told[0].at_ms


@pytest.mark.parametrize(("fallen_min", "waits_min"), [(0, 3), (1, 2), (3, 0), (20, 0)])
def test_a_loss_told_by_the_charge_waits_three_minutes_from_where_it_began_to_fall(
    fallen_min: int, waits_min: int
) -> None:
    """In: a charge that was last at its height some minutes ago. Out: the alarm, when that is three minutes ago."""
    house = House()
    house.hold(30, hours(40.0))
    noticed_ms = house.now_ms
    began: dict[str, Any] = {"supply_since_ms": noticed_ms - fallen_min * MINUTE, "supply_inferred": True}
    house.hold(10, hours(40.0), **{**on_pack(house), **began})
    assert [(item.alarm.kind, item.at_ms - noticed_ms) for item in house.told()] == [(K.MAINS_LOST, waits_min * MINUTE)]


def test_the_mains_return_is_told_where_its_loss_was_told_with_the_reserve() -> None:
    """Nobody had a message of the loss alone, and yet everybody heard of it."""
    house = House()
    house.hold(10, hours(5.0))
    house.hold(20, hours(5.0), **on_pack(house))
    house.hold(20, hours(5.0), supply_since_ms=house.now_ms, charge_percent=80.0)
    told = [(item.alarm.kind, item.kind) for item in house.told()]
    assert told == [(K.LOW_RESERVE, TransitionKind.RAISED), (K.MAINS_LOST, TransitionKind.CLEARED)]


@pytest.mark.parametrize(
    ("kind", "told", "reserve_told", "news"),
    [
        (K.MAINS_LOST, False, True, True),  # the loss went out with the reserve
        (K.MAINS_LOST, False, False, False),
        (K.PUMP_OVERRUN, False, True, False),
        (K.PUMP_OVERRUN, True, False, True),
    ],
)
def test_an_end_is_news_to_who_heard_of_the_beginning(
    kind: AlarmKind, told: bool, reserve_told: bool, news: bool
) -> None:
    """High alarms; of an outage any of its alarms will do."""
    high = Alarm("1", "larkspur", kind, Priority.HIGH, AlarmState.NORMAL, START_MS, START_MS, START_MS, "", "", "")
    standings = {
        K.MAINS_LOST: Standing(alarm=high),
        K.LOW_RESERVE: Standing(told_ms=START_MS if reserve_told else None),
        K.PUMP_OVERRUN: Standing(),
    }
    standings[kind] = Standing(alarm=high, told_ms=START_MS if told else None)
    evidence = AlarmEvidence(
        LARKSPUR, AlarmLimits(), status(START_MS), forecast(START_MS), Outside(), START_MS, START_MS, START_MS
    )
    assert is_news(AlarmTransition(high, TransitionKind.CLEARED, START_MS), evidence, standings) is news


def test_a_reserve_that_gets_short_later_is_told_by_itself() -> None:
    house = House()
    facts = on_pack(house)
    house.hold(10, hours(9.0), **facts)
    house.hold(10, hours(5.0), **facts)
    assert [item.alarm.kind for item in house.told()] == [K.MAINS_LOST, K.LOW_RESERVE]
    assert "Mains" not in house.told()[1].alarm.headline


def test_word_again_in_a_crowded_outage_is_left_to_the_next_message() -> None:
    """Mains lost, a reminder, silence and word again, low, critical, floor: word again had its own message before."""
    house = House()
    facts = on_pack(house)
    house.hold(130, hours(12.0), **facts)
    house.hold(30, hours(9.0), silent=True, data_age_s=1800.0, **facts)
    house.hold(30, hours(8.0), **facts)
    for left_h in (5.0, 1.5):
        house.hold(10, hours(left_h), **facts)
    house.hold(10, hours(0.1), **{**facts, "charge_percent": 9.0})
    ended = [item for item in house.said if item.kind is TransitionKind.CLEARED]
    assert [item.alarm.kind for item in ended] == [K.TELEMETRY_SILENT]
    assert not ended[0].tell
    assert [item.alarm.kind for item in house.told()] == [
        K.MAINS_LOST, K.MAINS_LOST, K.TELEMETRY_SILENT, K.LOW_RESERVE, K.CRITICAL_RESERVE, K.RESERVE_REACHED,
    ]  # fmt: skip


def test_word_again_with_room_is_told() -> None:
    house = House()
    house.hold(20, silent=True, data_age_s=1800.0)
    house.hold(10)
    assert [item.kind for item in house.told()] == [TransitionKind.RAISED, TransitionKind.CLEARED]


def test_what_is_not_grave_leaves_room_for_the_outage_under_way_and_is_told_when_there_is_some() -> None:
    """A pack too warm, three messages into an outage that may need four more; told when the mains are back."""
    house = House()
    house.hold(10, running_w_normal=Spread(455.0, 470.0, 486.0, 400))
    for _ in range(2):
        house.hold(40, hours(12.0), **on_pack(house))
        house.hold(40, supply_since_ms=house.now_ms)
    facts = on_pack(house)
    house.hold(10, hours(12.0), **facts)
    before = len(house.told())
    house.hold(10, hours(12.0), pack_temperature_c=50.0, **facts)
    warm = [item for item in house.said if item.alarm.kind is K.PACK_TEMPERATURE]
    assert [item.kind for item in warm] == [TransitionKind.RAISED]
    assert len(house.told()) == before
    house.hold(60, supply_since_ms=house.now_ms, pack_temperature_c=50.0)
    later = [item for item in house.said if item.alarm.kind is K.PACK_TEMPERATURE and item.tell]
    assert len(later) == 1
    assert later[0].at_ms > warm[0].at_ms + MINUTE
