"""Alarms of the long record: raised from the newest study, low or medium, at most once a month, never repeated."""

from __future__ import annotations

from itertools import pairwise

import pytest

from forecaster.alarms import AlarmManager, Outside
from forecaster.domain.alarms import STUDIED, AlarmKind, AlarmTransition, Priority, TransitionKind
from forecaster.domain.longrecord import HousePart, PartState, PartTold
from forecaster.texts.catalogue import Said
from tests.forecaster.evidence import DAY, HOUR, LARKSPUR, START_MS, forecast, hours, status

KINDS = [
    (HousePart.PUMP_FLOW, AlarmKind.WEAR_AHEAD), (HousePart.PUMP_POWER, AlarmKind.WEAR_AHEAD),
    (HousePart.DISCHARGE_LINE, AlarmKind.WEAR_AHEAD), (HousePart.PACK_CAPACITY, AlarmKind.PACK_FADING),
    (HousePart.PACK_LOSSES, AlarmKind.PACK_FADING), (HousePart.CHECK_VALVE, AlarmKind.CHECK_VALVE_LEAKING),
    (HousePart.FLOAT, AlarmKind.FLOAT_STICKING),
]  # fmt: skip


def told(part: HousePart, state: PartState) -> Outside:
    """Every part is good, but for one."""
    good = (PartTold(one, PartState.GOOD, "", Said("health.nothing"), 0.0) for one in HousePart if one is not part)
    return Outside(parts=(*good, PartTold(part, state, "", Said("health.flow.watch.do"), -0.13)))


class House:
    """An alarm manager over days."""

    def __init__(self) -> None:
        self.manager, self.now_ms = AlarmManager(LARKSPUR), START_MS

    def days(self, count: int, outside: Outside) -> list[AlarmTransition]:
        """Hours of the same evidence."""
        changes: list[AlarmTransition] = []
        for _ in range(24 * count):
            self.now_ms += HOUR
            made = forecast(self.now_ms, hours(40.0))
            changes += self.manager.step(status(self.now_ms, last_test_ms=START_MS), made, self.now_ms, outside)
        return [change for change in changes if change.alarm.kind in STUDIED]


@pytest.mark.parametrize(("part", "kind"), KINDS)
@pytest.mark.parametrize(("state", "priority"), [(PartState.WATCH, Priority.LOW), (PartState.ACT, Priority.MEDIUM)])
def test_each_part_raises_its_kind_once(part: HousePart, kind: AlarmKind, state: PartState, priority: Priority) -> None:
    changes = House().days(6, told(part, state))
    assert [(change.alarm.kind, change.kind, change.alarm.priority) for change in changes] == [
        (kind, TransitionKind.RAISED, priority)
    ]
    assert "13" in changes[0].alarm.headline or kind is AlarmKind.FLOAT_STICKING
    assert "unplugged" in changes[0].alarm.action


@pytest.mark.parametrize("state", [PartState.GOOD, PartState.UNKNOWN])
def test_what_is_good_or_not_known_raises_nothing(state: PartState) -> None:
    assert House().days(3, told(HousePart.PUMP_FLOW, state)) == []
    assert House().days(1, Outside()) == []


def test_what_comes_and_goes_is_told_once_a_month() -> None:
    house = House()
    raised = []
    for _ in range(12):
        for state in (PartState.WATCH, PartState.GOOD):
            changes = house.days(4, told(HousePart.FLOAT, state))
            raised += [change.at_ms for change in changes if change.kind is TransitionKind.RAISED]
    assert 2 <= len(raised) <= 4
    assert all(later - earlier >= 30 * DAY for earlier, later in pairwise(raised))


def test_a_study_that_cannot_tell_any_more_changes_nothing() -> None:
    house = House()
    house.days(1, told(HousePart.CHECK_VALVE, PartState.WATCH))
    assert house.days(3, told(HousePart.CHECK_VALVE, PartState.UNKNOWN)) == []
    assert [alarm.kind for alarm in house.manager.alarms()] == [AlarmKind.CHECK_VALVE_LEAKING]
