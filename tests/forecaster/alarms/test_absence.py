"""Away adds people and mutes nobody; a pause ends by itself, and high water breaks it."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

from forecaster.alarms.absence import contacts_at, is_away, is_paused
from forecaster.alarms.plan import HUBS, deliveries
from forecaster.domain.alarms import AlarmKind, Priority, TransitionKind
from forecaster.domain.runs import Supply
from forecaster.domain.site import Away, Contact
from tests.forecaster.alarms.test_alarm_plan import transition
from tests.forecaster.evidence import HOUR, LARKSPUR, MINUTE, START_MS, House

OWNER = Contact("owner", email="o@example.org", phone="+1 555 0100")
NEIGHBOUR = Contact("neighbour", email="n@example.org", phone="+1 555 0101", minimum_priority=Priority.CRITICAL)
PLUMBER = Contact("plumber", email="p@example.org", after_min=60.0)
TODAY = date(2026, 3, 3)
"""The day of START_MS in Chicago."""
MIDNIGHT_MS = 1_772_517_600_000
"""Its midnight there, 06:00 UTC."""


def test_days_are_those_of_the_house() -> None:
    """In March before the second Sunday Chicago is at UTC-6 (IANA tz database)."""
    away = replace(LARKSPUR, timezone="America/Chicago", away=Away(TODAY, TODAY), paused_until=TODAY)
    assert [is_away(away, MIDNIGHT_MS + at) for at in (-1, 0, 24 * HOUR - 1, 24 * HOUR)] == [False, True, True, False]
    assert [is_paused(away, MIDNIGHT_MS + at) for at in (-1, 0)] == [True, False]
    assert not is_away(LARKSPUR, MIDNIGHT_MS)
    assert not is_paused(LARKSPUR, MIDNIGHT_MS)


def test_who_looks_after_the_house_is_told_first_and_nobody_less() -> None:
    house = replace(LARKSPUR, contacts=(OWNER, NEIGHBOUR, PLUMBER))
    away = replace(house, away=Away(TODAY, TODAY, ("neighbour", "plumber")))
    assert [(one.name, one.after_min) for one in contacts_at(away, START_MS)] == [
        ("neighbour", 0.0), ("plumber", 15.0), ("owner", 0.0),
    ]  # fmt: skip
    assert contacts_at(away, START_MS + 48 * HOUR) == house.contacts
    said = transition(Priority.HIGH)
    usual = {
        (owed.who, owed.due_ms - START_MS) for owed in deliveries(said, house, START_MS) if owed.channel not in HUBS
    }
    told = {(owed.who, owed.due_ms - START_MS) for owed in deliveries(said, away, START_MS) if owed.channel not in HUBS}
    assert usual == {("owner", 0), ("plumber", 60 * MINUTE)}
    assert told == {("neighbour", 0), ("owner", 0), ("plumber", 15 * MINUTE)}
    [owner] = [owed for owed in deliveries(said, away, START_MS) if owed.who == "owner"]
    assert "neighbour" in owner.body


def test_a_pause_ends_by_itself_and_what_stands_then_is_told() -> None:
    house = House(site=replace(LARKSPUR, paused_until=date(2026, 3, 4)))
    house.hold(30, supply=Supply.PACK)
    assert house.said == []
    house.hold(5, supply=Supply.PACK, high_water=True)
    assert house.kinds() == [AlarmKind.HIGH_WATER]
    house.now_ms = MIDNIGHT_MS + 24 * HOUR - 5 * MINUTE
    house.hold(5, supply=Supply.PACK)
    assert AlarmKind.MAINS_LOST not in house.kinds()
    house.hold(5, supply=Supply.PACK)
    [lost] = [item for item in house.said if item.alarm.kind is AlarmKind.MAINS_LOST]
    assert (lost.kind, lost.tell) == (TransitionKind.RAISED, True)


def test_what_stands_when_a_pause_begins_is_closed_without_a_word() -> None:
    house = House()
    house.hold(5, supply=Supply.PACK)
    house.manager.site = replace(house.manager.site, paused_until=date(2026, 3, 4))
    house.hold(5, supply=Supply.PACK)
    assert [(item.kind, item.tell) for item in house.said] == [
        (TransitionKind.RAISED, True), (TransitionKind.CLEARED, False),
    ]  # fmt: skip
    assert house.manager.alarms() == []
