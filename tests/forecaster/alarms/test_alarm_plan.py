"""Who is told, when, over what: priorities, quiet hours over clock changes, the next contact, coalescing."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

import pytest

from forecaster.alarms.plan import HUBS, AlarmMessage, Planner, coalesce, deliveries, quiet_until_ms, still_wanted
from forecaster.domain.alarms import Alarm, AlarmKind, AlarmState, AlarmTransition, Priority, TransitionKind
from forecaster.domain.records import Delivery, PushSubscription
from forecaster.domain.site import Contact, Site
from tests.forecaster.evidence import HOUR, LARKSPUR, MINUTE, START_MS


def transition(
    priority: Priority = Priority.HIGH,
    kind: TransitionKind = TransitionKind.RAISED,
    *,
    at_ms: int = START_MS,
    alarm_kind: AlarmKind = AlarmKind.HIGH_WATER,
    revision: int = 0,
    tell: bool = True,
) -> AlarmTransition:
    alarm = Alarm(
        id=f"larkspur:{alarm_kind}:{START_MS}",
        site="larkspur",
        kind=alarm_kind,
        priority=priority,
        state=AlarmState.UNACKNOWLEDGED,
        episode=START_MS,
        raised_ms=START_MS,
        changed_ms=at_ms,
        headline="Water.",
        action="Look.",
        consequence="Wet floor.",
        revision=revision,
    )
    return AlarmTransition(alarm, kind, at_ms, tell)


def site(*contacts: Contact) -> Site:
    return replace(LARKSPUR, contacts=contacts)


def people(owed: list[Delivery]) -> list[Delivery]:
    return [item for item in owed if item.channel not in HUBS]


def local(text: str) -> int:
    return int(datetime.fromisoformat(text).timestamp() * 1000)


def test_hubs_hear_everything_and_people_what_is_told() -> None:
    quiet = deliveries(transition(tell=False), LARKSPUR, START_MS)
    assert sorted(item.channel for item in quiet) == ["homie", "mqtt"]
    assert quiet[0].receiver == "outlast/larkspur/alarm/high-water"
    told = deliveries(transition(), LARKSPUR, START_MS)
    assert [(item.channel, item.receiver) for item in people(told)] == [("mail", "owner@example.org")]
    assert len({item.key for item in told}) == len(told)
    assert "owner@example.org" not in "".join(item.key for item in told)


def test_minimum_priority() -> None:
    picky = site(Contact("owner", email="owner@example.org", minimum_priority=Priority.HIGH))
    assert people(deliveries(transition(Priority.MEDIUM), picky, START_MS)) == []
    assert len(people(deliveries(transition(Priority.HIGH), picky, START_MS))) == 1


def test_quiet_hours_wait_for_the_morning_and_critical_passes() -> None:
    sleeper = site(Contact("owner", email="owner@example.org", quiet_hours=("22:00", "07:00")))
    night = local("2026-03-04T02:30:00-06:00")
    high = people(deliveries(transition(at_ms=night), sleeper, night))
    assert [item.due_ms for item in high] == [local("2026-03-04T07:00:00-06:00")]
    critical = people(deliveries(transition(Priority.CRITICAL, at_ms=night), sleeper, night))
    assert [item.due_ms for item in critical] == [night]


@pytest.mark.parametrize(
    ("at", "until"),
    [
        ("2026-03-03T21:59:59-06:00", None),
        ("2026-03-03T22:00:00-06:00", "2026-03-04T07:00:00-06:00"),
        ("2026-03-04T06:59:59-06:00", "2026-03-04T07:00:00-06:00"),
        ("2026-03-04T07:00:00-06:00", None),
        # clocks go forward on 8 March 2026, and back on 1 November 2026 (IANA time zone database)
        ("2026-03-07T23:00:00-06:00", "2026-03-08T07:00:00-05:00"),
        ("2026-10-31T23:00:00-05:00", "2026-11-01T07:00:00-06:00"),
    ],
)
def test_quiet_hours_follow_the_local_clock(at: str, until: str | None) -> None:
    expected = None if until is None else local(until)
    assert quiet_until_ms(("22:00", "07:00"), "America/Chicago", local(at)) == expected


@pytest.mark.parametrize(
    ("told", "due"),
    [
        ("2026-03-03T22:10", "2026-03-04T02:30"),  # in this night
        ("2026-03-04T02:10", "2026-03-04T02:30"),
        ("2026-03-03T20:00", "2026-03-04T07:00"),  # in the evening before
        (None, "2026-03-04T07:00"),  # the beginning waits as well, and the end takes its place
    ],
)
def test_an_end_passes_the_quiet_hours_of_whoever_may_be_acting_on_its_beginning(told: str | None, due: str) -> None:
    sleeper = site(Contact("owner", email="owner@example.org", quiet_hours=("22:00", "07:00")))
    night = local("2026-03-04T02:30:00-06:00")
    over = transition(Priority.HIGH, TransitionKind.CLEARED, at_ms=night)
    told_ms = {} if told is None else {"owner": local(f"{told}:00-06:00")}
    owed = people(Planner(sleeper).plan(over, night, told_ms))
    assert [item.due_ms for item in owed] == [local(f"{due}:00-06:00")]


def test_quiet_hours_within_a_day() -> None:
    noon = local("2026-03-03T13:00:00-06:00")
    assert quiet_until_ms(("12:00", "14:00"), "America/Chicago", noon) == local("2026-03-03T14:00:00-06:00")
    assert quiet_until_ms(("12:00", "14:00"), "America/Chicago", noon + 2 * HOUR) is None


def test_the_next_contact_is_told_after_a_while_unless_someone_acknowledged() -> None:
    family = site(Contact("owner", email="o@example.org"), Contact("neighbour", email="n@example.org", after_min=30.0))
    owner, neighbour = people(deliveries(transition(), family, START_MS))
    assert owner.due_ms == START_MS
    assert neighbour.due_ms == START_MS + 30 * MINUTE
    message = AlarmMessage.decode(neighbour.body)
    assert message.only_unacknowledged
    assert still_wanted(message, transition().alarm)
    for state in (AlarmState.ACKNOWLEDGED, AlarmState.RETURNED_UNACKNOWLEDGED, AlarmState.SHELVED):
        assert not still_wanted(message, replace(transition().alarm, state=state))
    assert still_wanted(AlarmMessage.decode(owner.body), replace(transition().alarm, state=AlarmState.ACKNOWLEDGED))


def test_someone_next_in_line_never_hears_of_what_was_over_before() -> None:
    family = site(Contact("neighbour", email="n@example.org", after_min=30.0))
    begun = people(deliveries(transition(), family, START_MS))
    over = transition(kind=TransitionKind.CLEARED, at_ms=START_MS + 5 * MINUTE, revision=1)
    ended = people(deliveries(over, family, START_MS + 5 * MINUTE))
    batch = coalesce(begun + ended)
    assert batch.send == ()
    assert len(batch.needless) == 2
    assert coalesce(ended).send == tuple(ended)


def test_a_backlog_becomes_its_newest_chapter() -> None:
    chapters = [
        transition(at_ms=START_MS, alarm_kind=AlarmKind.MAINS_LOST),
        transition(Priority.HIGH, at_ms=START_MS + HOUR, alarm_kind=AlarmKind.LOW_RESERVE),
        transition(Priority.CRITICAL, at_ms=START_MS + 2 * HOUR, alarm_kind=AlarmKind.CRITICAL_RESERVE),
        transition(Priority.CRITICAL, at_ms=START_MS + 2 * HOUR, alarm_kind=AlarmKind.PUMP_SILENT),
    ]
    backlog = [item for one in chapters for item in people(deliveries(one, LARKSPUR, one.at_ms))]
    batch = coalesce(backlog)
    assert [AlarmMessage.decode(item.body).alarm.kind for item in batch.send] == [
        AlarmKind.CRITICAL_RESERVE, AlarmKind.PUMP_SILENT,
    ]  # fmt: skip
    assert len(batch.needless) == 2


def test_a_browser_keeps_the_rules_of_the_contact_it_is_named_after() -> None:
    picky = site(Contact("owner", email="owner@example.org", minimum_priority=Priority.CRITICAL))
    named = PushSubscription("a", "https://push.example.org/1", "k", "a", None, "Owner", START_MS)
    other = PushSubscription("b", "https://push.example.org/2", "k", "a", "larkspur", "tablet", START_MS)
    elsewhere = PushSubscription("c", "https://push.example.org/3", "k", "a", "linden", "tablet", START_MS)
    owed = people(deliveries(transition(), picky, START_MS, (named, other, elsewhere)))
    assert [(item.channel, item.receiver) for item in owed] == [("push", "b")]


def test_a_body_comes_back_as_it_went() -> None:
    owed = people(deliveries(transition(), LARKSPUR, START_MS))[0]
    message = AlarmMessage.decode(owed.body)
    assert message.alarm == transition().alarm
    assert AlarmMessage.decode(message.encode()) == message


@pytest.mark.parametrize(
    ("kind", "by", "due"),
    [
        (AlarmKind.PUMP_OVERRUN, "2026-03-04T05:00:00-06:00", "2026-03-04T03:00:00-06:00"),
        (AlarmKind.PUMP_OVERRUN, "2026-03-04T07:00:00-06:00", "2026-03-04T07:00:00-06:00"),
        (AlarmKind.LOW_RESERVE, "2026-03-04T08:30:00-06:00", "2026-03-04T03:00:00-06:00"),
        (AlarmKind.LOW_RESERVE, "2026-03-04T09:30:00-06:00", "2026-03-04T07:00:00-06:00"),
    ],
)
def test_quiet_hours_hold_only_what_can_wait_until_they_end(kind: AlarmKind, by: str, due: str) -> None:
    """Power takes two hours to be brought: a reserve that ends within that time of the morning is told at night."""
    sleeper = site(Contact("owner", email="owner@example.org", quiet_hours=("22:00", "07:00")))
    at_ms = local("2026-03-04T03:00:00-06:00")
    raised = transition(alarm_kind=kind, at_ms=at_ms)
    raised = replace(raised, alarm=replace(raised.alarm, raised_ms=at_ms, by_ms=local(by)))
    (owed,) = people(deliveries(raised, sleeper, at_ms))
    assert owed.due_ms == local(due)


def test_a_reader_far_away_is_told_whom_to_call_and_hubs_and_browsers_are_not() -> None:
    here = site(
        Contact("owner", email="owner@example.org"),
        Contact("neighbour", webhook="https://hook.example.org/", phone="+1 555 0100"),
    )
    phone = PushSubscription("1", "https://push.example.org/", "k", "a", "larkspur", "owner", START_MS)
    owed = {item.channel: AlarmMessage.decode(item.body) for item in deliveries(transition(), here, START_MS, [phone])}
    assert "neighbour at +1 555 0100" in owed["mail"].afar
    assert "555" not in owed["webhook"].afar
    assert "a contact near the house" in owed["push"].afar
    for hub in HUBS:
        assert owed[hub].afar == ""
        assert "555" not in owed[hub].encode()
