"""From transitions to the outbox: the channels this installation serves, and what goes out over them."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from collector.config.settings import Installation
from forecaster.alarms.grouping import OUTAGE
from forecaster.alarms.plan import (
    CHANNELS,
    HUBS,
    MAIL,
    PEOPLE_HOURS,
    PUSH,
    AlarmMessage,
    Planner,
    addresses_of,
    alarm_topic,
    delivery_key,
)
from forecaster.domain.alarms import Alarm, AlarmKind, AlarmState, AlarmTransition, Priority, TransitionKind
from forecaster.domain.ports import Ledger
from forecaster.domain.records import Delivery, NoticeOutcome
from forecaster.domain.site import Site
from forecaster.domain.times import HOUR_MS
from forecaster.texts.catalogue import SOURCE, words

TEST_MINUTES = 30
TEST = "test"


def is_test(alarm_id: str) -> bool:
    """Whether an alarm id is that of a test message."""
    return alarm_id.split(":")[1:2] == [TEST]


def served(installation: Installation) -> frozenset[str]:
    """The channels that this installation can send over: mail needs a server."""
    return CHANNELS if installation.mail.host is not None else CHANNELS - {MAIL}


def unserved_contacts(installation: Installation) -> list[str]:
    """Contacts' addresses on channels that are not set up, a line a site; it names nobody, for readers may see it."""
    lines = []
    for site in installation.sites.values():
        count = sum(contact.email is not None for contact in site.contacts)
        if count and installation.mail.host is None:
            lines.append(words()("reach.no_mail_host", site=site.id, count=count))
    return lines


def known_to(installation: Installation, ledger: Ledger, channel: str) -> Callable[[str], bool]:
    """Whether a receiver of a channel is configured: in a site file, or subscribed."""
    sites = installation.sites.values()
    if channel in HUBS:
        fixed = {alarm_topic(site.id, kind) for site in sites for kind in (*AlarmKind, TEST)}
    else:
        contacts = (contact for site in sites for contact in site.contacts)
        fixed = {address for contact in contacts for over, address in addresses_of(contact) if over == channel}

    def known(receiver: str) -> bool:
        if channel == PUSH:
            return any(item.id == receiver for item in ledger.subscriptions())
        return receiver in fixed

    return known


def planner_for(
    installation: Installation, ledger: Ledger
) -> Callable[[Site, Sequence[AlarmTransition], int], list[Delivery]]:
    """Plans the deliveries of transitions; the forecaster commits both together."""
    channels = served(installation)

    def plan(site: Site, transitions: Sequence[AlarmTransition], now_ms: int) -> list[Delivery]:
        planner = Planner(site, ledger.subscriptions() if transitions else (), channels)
        return [
            delivery
            for transition in transitions
            for delivery in planner.plan(transition, now_ms, last_told(ledger, site, transition, now_ms))
        ]

    return plan


def last_told(ledger: Ledger, site: Site, transition: AlarmTransition, now_ms: int) -> dict[str, int]:
    """By person, when they were last told of what now ends [UTC milliseconds]; {} for what is no end.

    The alarms of an outage are one: the end of the mains' loss is that of the reserve too.
    """
    if transition.kind is not TransitionKind.CLEARED or not transition.tell:
        return {}
    same = OUTAGE if transition.alarm.kind in OUTAGE else (transition.alarm.kind,)
    starts = tuple(f"{site.id}:{kind}:" for kind in same)
    notices = ledger.notices_between(site.id, now_ms - PEOPLE_HOURS * HOUR_MS, now_ms + 1)
    told = [one for one in notices if one.outcome is NoticeOutcome.TOLD and one.alarm_id.startswith(starts)]
    return {one.who: one.at_ms for one in sorted(told, key=lambda one: one.at_ms)}


def trial_messages(
    site: Site, ledger: Ledger, channels: frozenset[str], now_ms: int, code: Callable[[str, str], str]
) -> list[Delivery]:
    """A test message to every hub and person of a site, whatever the hour, over the channels asked for.

    code : the digits by which a person answers: (test, name) -> four of them
    """
    alarm = _trial(site, now_ms, site.language or SOURCE)
    transition = AlarmTransition(alarm, TransitionKind.RAISED, now_ms)
    mine = {contact.name: contact.language for contact in site.contacts}
    receivers = [(channel, alarm_topic(site.id, TEST), "") for channel in HUBS]
    for contact in site.contacts:
        receivers += [(channel, address, contact.name) for channel, address in addresses_of(contact)]
    receivers += [(PUSH, item.id, item.label) for item in ledger.subscriptions() if item.site in (None, site.id)]
    planned = []
    for channel, receiver, name in receivers:
        if channel not in channels:
            continue
        language = mine.get(name) or site.language or SOURCE
        message = AlarmMessage(
            key=transition.key,
            site=site.id,
            site_name=site.name,
            timezone=site.timezone,
            units=site.units,
            transition=transition.kind,
            at_ms=now_ms,
            alarm=_trial(site, now_ms, language, code(alarm.id, name) if name else None),
            contact=name,
            test=True,
            language=language,
        )
        key = delivery_key(transition.key, channel, receiver)
        expires = now_ms + TEST_MINUTES * HOUR_MS // 60
        planned.append(
            Delivery(
                key, channel, receiver, site.id, message.encode(), now_ms, now_ms, expires, who=name, alarm_id=alarm.id
            )
        )
    return planned


def _trial(site: Site, now_ms: int, language: str, code: str | None = None) -> Alarm:
    """The made-up alarm that a test message is about."""
    say = words(language)
    return Alarm(
        id=f"{site.id}:test:{now_ms}",
        site=site.id,
        kind=AlarmKind.TEST_DUE,
        priority=Priority.LOW,
        state=AlarmState.NORMAL,
        episode=now_ms,
        raised_ms=now_ms,
        changed_ms=now_ms,
        headline=say("mail.test.headline"),
        action=say("alarm.cleared.action") if code is None else say("mail.test.action", code=code),
        consequence="",
    )
