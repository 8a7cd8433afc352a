"""Alarms as they are told on pages: what happened, what to do, by when, and what may be done about the alarm."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from api.pages.contexts import AlarmCard
from api.pages.ports import PagePorts
from forecaster.alarms.afar import afar_of
from forecaster.domain.alarms import Alarm, AlarmState
from forecaster.domain.records import Notice, NoticeOutcome
from forecaster.domain.site import Site
from forecaster.domain.times import MINUTE_MS
from forecaster.texts.catalogue import Words
from forecaster.texts.wording import Wording, unnamed

OPEN = (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED, AlarmState.RETURNED_UNACKNOWLEDGED, AlarmState.SHELVED)
UNTOLD = (NoticeOutcome.FAILING, NoticeOutcome.FAILED)
MOST_TOLD = 50


def alarm_cards(
    ports: PagePorts, site: Site, words: Words, now_ms: int, *, operate: bool, states: Sequence[AlarmState] = OPEN
) -> tuple[AlarmCard, ...]:
    """The site's alarms in some states, gravest first."""
    wording = Wording.of(site, words)
    found = ports.ledger.alarms(site.id, states, 200)
    found.sort(
        key=lambda alarm: (
            alarm.state is AlarmState.SHELVED,
            alarm.cleared_ms is not None,
            -alarm.priority.rank,
            alarm.raised_ms,
        )
    )
    told: dict[str, list[Notice]] = {}
    for notice in ports.ledger.notices([alarm.id for alarm in found]) if operate else ():
        told.setdefault(notice.alarm_id, []).append(notice)
    return tuple(
        replace(
            alarm_card(alarm, site, wording, words, now_ms, operate=operate),
            told=told_lines(told.get(alarm.id, []), wording, words, now_ms),
        )
        for alarm in found
    )


def told_lines(notices: Sequence[Notice], wording: Wording, words: Words, now_ms: int) -> tuple[str, ...]:
    """Who was told, over which channel, when, and what became of it; newest first."""
    lines = []
    for notice in reversed(notices):
        became = words(f"alarms.outcome.{notice.outcome.value}", time=wording.within(notice.at_ms, now_ms))
        reason = f": {notice.reason}" if notice.reason and notice.outcome in UNTOLD else ""
        lines.append(f"{notice.who}, {words(f'channel.{notice.channel}')}: {became}{reason}")
    return tuple(lines[:MOST_TOLD])


def alarm_card(alarm: Alarm, site: Site, wording: Wording, words: Words, now_ms: int, *, operate: bool) -> AlarmCard:
    """One alarm in the words of a page; who acknowledged it is named to those alone who may operate."""
    acknowledged = None
    if alarm.acknowledged_ms is not None:
        when = wording.clock(alarm.acknowledged_ms, now_ms)
        who = (alarm.acknowledged_by if operate else "") or words("link.someone")
        acknowledged = words("alarms.acknowledged", who=who, time=when)
    changed = None
    if alarm.changed_ms - alarm.raised_ms >= MINUTE_MS:
        changed = words("alarms.changed", time=wording.clock(alarm.changed_ms, now_ms))
    shelved = None
    if alarm.shelved_until_ms is not None and alarm.state is AlarmState.SHELVED:
        shelved = words("alarms.shelved_until", time=wording.within(alarm.shelved_until_ms, now_ms))
    said = alarm.said_in(words.code)
    return AlarmCard(
        alarm=said,
        headline=unnamed(said.headline, site.name, words),
        over=alarm.cleared_ms is not None,
        afar=afar_of(alarm, site.contacts, words) if operate else "",
        kind=words(f"alarms.kind.{alarm.kind.value}"),
        priority=words(f"alarms.priority.{alarm.priority.value}"),
        state=words(f"alarms.state.{alarm.state.value}"),
        since=words("alarms.since", time=wording.within(alarm.raised_ms, now_ms)),
        changed=changed,
        shelved_until=shelved,
        acknowledged=acknowledged,
        can_acknowledge=operate and alarm.state in (AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED_UNACKNOWLEDGED),
        can_shelve=operate and alarm.state in (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED),
    )
