"""Reminders and the next contact go by what the couriers settled: who was told, on the way, or tried in vain."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from itertools import pairwise
from typing import Any

import pytest

from forecaster.alarms import Outside
from forecaster.alarms.escalation import brought_forward
from forecaster.alarms.settlement import Settlement, settlement
from forecaster.domain.alarms import Alarm, AlarmKind, AlarmState, Priority, TransitionKind
from forecaster.domain.records import Notice, NoticeOutcome
from forecaster.domain.site import Contact, Site
from tests.forecaster.evidence import HOUR, LARKSPUR, MINUTE, START_MS, House

ID = f"larkspur:high-water:{START_MS}"
TOLD, WAITING, FAILING = NoticeOutcome.TOLD, NoticeOutcome.WAITING, NoticeOutcome.FAILING
FAILED, NEEDLESS = NoticeOutcome.FAILED, NoticeOutcome.NEEDLESS
FAMILY = replace(
    LARKSPUR,
    contacts=(
        Contact("owner", email="owner@example.org", webhook="https://owner.example.org/hook"),
        Contact("neighbour", email="neighbour@example.org", after_min=15.0),
        Contact("cousin", email="cousin@example.org", after_min=30.0),
    ),
)


def notice(
    who: str, channel: str, outcome: NoticeOutcome, attempts: int = 0, *, at_ms: int = START_MS, revision: int = 0
) -> Notice:
    return Notice(ID, revision, "larkspur", who, channel, at_ms, outcome, attempts=attempts)


def line(*owner: Notice) -> list[Notice]:
    """The owner's notices, and the two others who wait for their turn."""
    return [
        *owner,
        notice("neighbour", "mail", WAITING, at_ms=START_MS + 15 * MINUTE),
        notice("cousin", "mail", WAITING, at_ms=START_MS + 30 * MINUTE),
    ]


def water(**facts: Any) -> Alarm:
    alarm = Alarm(
        ID, "larkspur", AlarmKind.HIGH_WATER, Priority.CRITICAL, AlarmState.UNACKNOWLEDGED, START_MS, START_MS,
        START_MS, "HIGH WATER", "Look.", "Wet.",
    )  # fmt: skip
    return replace(alarm, **facts)


def early(*owner: Notice, site: Site = FAMILY, alarm: Alarm | None = None) -> Mapping[str, int]:
    settled = settlement(line(*owner))[ID]
    return brought_forward(site, water() if alarm is None else alarm, settled, START_MS + MINUTE)


# -- what became of the messages


def test_it_is_heard_when_a_receiver_took_it_last() -> None:
    settled = settlement(
        [
            notice("owner", "mail", TOLD, 1, at_ms=START_MS + 5),
            notice("owner", "webhook", FAILING, 4, at_ms=START_MS + 70_000),
            notice("neighbour", "mail", TOLD, 1, at_ms=START_MS + 900_000),
        ]
    )[ID]
    assert settled.heard_ms == START_MS + 900_000
    assert not settled.unheard
    assert settled.in_vain == frozenset()


def test_of_nobody_who_was_to_be_told_there_is_no_settlement() -> None:
    assert settlement([]) == {}


# -- whose turn comes early


def test_the_next_is_told_at_once_when_every_address_of_the_first_failed() -> None:
    tried = notice("owner", "mail", FAILED, 1), notice("owner", "webhook", FAILING, 2)
    assert early(*tried) == {"neighbour": START_MS + MINUTE}


@pytest.mark.parametrize(
    "owner",
    [
        [notice("owner", "mail", TOLD, 1), notice("owner", "webhook", FAILED, 1)],
        [notice("owner", "mail", FAILED, 1), notice("owner", "webhook", WAITING)],
        [notice("owner", "mail", FAILED, 1), notice("owner", "webhook", FAILING, 1)],
        [],
    ],
    ids=["one address took it", "one is not tried yet", "one had a single hiccup", "nobody comes before"],
)
def test_the_next_keeps_their_turn(owner: list[Notice]) -> None:
    assert early(*owner) == {}


def test_attempts_at_chapters_that_a_newer_one_replaced_count() -> None:
    replaced = notice("owner", "mail", NEEDLESS, 2), notice("owner", "mail", FAILING, 1, revision=1)
    assert early(*replaced) == {"neighbour": START_MS + MINUTE}


def test_the_one_after_the_next_follows_when_the_next_fails_too() -> None:
    gone = [notice(who, "mail", FAILED, 1) for who in ("owner", "neighbour")]
    settled = settlement([*gone, notice("cousin", "mail", WAITING, at_ms=START_MS + 30 * MINUTE)])[ID]
    assert brought_forward(FAMILY, water(), settled, START_MS + MINUTE) == {"cousin": START_MS + MINUTE}


def test_quiet_hours_of_the_next_hold_for_what_can_wait() -> None:
    """At 10:03 in Chicago; quiet from 10:00 to 10:10, before the turn at 10:17."""
    quiet = replace(FAMILY.contacts[1], quiet_hours=("10:00", "10:10"))
    site = replace(FAMILY, contacts=(FAMILY.contacts[0], quiet, FAMILY.contacts[2]))
    gone = notice("owner", "mail", FAILED, 1)
    assert early(gone, site=site, alarm=water(priority=Priority.HIGH)) == {"neighbour": START_MS + 8 * MINUTE}
    assert early(gone, site=site) == {"neighbour": START_MS + MINUTE}


@pytest.mark.parametrize("state", [AlarmState.ACKNOWLEDGED, AlarmState.RETURNED_UNACKNOWLEDGED, AlarmState.SHELVED])
def test_nobody_is_told_early_of_what_was_seen_or_is_over(state: AlarmState) -> None:
    assert early(notice("owner", "mail", FAILED, 1), alarm=water(state=state)) == {}


# -- reminders


def flooded(settled: Settlement | None, count_h: float = 8.0) -> list[int]:
    """Minutes after the raise at which people are reminded of high water that nobody acknowledges."""
    house = House()
    raised = house.now_ms
    while not house.kinds():
        house.hold(1, high_water=True)
    [alarm] = house.manager.alarms()
    outside = Outside() if settled is None else Outside(settled={alarm.id: settled})
    house.hold(int(count_h * 60), outside=outside, high_water=True)
    return [
        round((item.at_ms - raised) / MINUTE)
        for item in house.said
        if item.kind is TransitionKind.REMINDED and item.tell
    ]


def test_without_news_of_the_messages_waits_double() -> None:
    """30 min, then 60, 120, 240: this project's own choice."""
    assert [after // 30 for after in flooded(None)] == [1, 3, 7, 15]


def test_a_wait_begins_when_the_message_was_taken() -> None:
    taken = Settlement(frozenset({"owner"}), START_MS + 3 * HOUR)
    assert flooded(taken)[0] == pytest.approx(210, abs=2)


def test_what_was_tried_in_vain_is_told_anew_without_growing_waits_and_costs_no_room() -> None:
    vain = Settlement(frozenset({"owner"}), None, frozenset({"owner"}))
    reminded = flooded(vain)
    assert len(reminded) >= 14
    assert {later - earlier for earlier, later in pairwise(reminded)} <= {30, 31}


def test_what_waits_for_its_hour_needs_no_reminder() -> None:
    waits = Settlement(frozenset({"owner"}), None, frozenset(), {"owner": START_MS + 20 * HOUR})
    assert flooded(waits) == []
