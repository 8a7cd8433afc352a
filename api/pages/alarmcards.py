"""Alarms on pages: what happened, what to do, by when, and the actions that the reader may take."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from api.pages.contexts import AlarmCard
from api.pages.ports import PagePorts
from forecaster.alarms.absence import contacts_at
from forecaster.alarms.afar import afar_of
from forecaster.alarms.meant import began_with
from forecaster.alarms.present import gravest_first, read_by, retold
from forecaster.domain.alarms import OPEN, Alarm, AlarmState
from forecaster.domain.forecast import Forecast
from forecaster.domain.records import Notice, NoticeOutcome
from forecaster.domain.site import Site
from forecaster.domain.times import MINUTE_MS
from forecaster.live.rehearsals import running_test
from forecaster.texts.catalogue import Words
from forecaster.texts.doers import doer
from forecaster.texts.wording import Wording, unnamed

UNTOLD = (NoticeOutcome.FAILING, NoticeOutcome.FAILED)
MOST_TOLD = 50


def alarm_cards(
    ports: PagePorts,
    site: Site,
    words: Words,
    now_ms: int,
    *,
    operate: bool,
    states: Sequence[AlarmState] = OPEN,
    forecast: Forecast | None = None,
) -> tuple[AlarmCard, ...]:
    """The site's alarms in some states, the one to act on first before the others.

    forecast : the newest one, so that the end that a card tells is the present one
    """
    wording = Wording.of(site, words)
    found = gravest_first(ports.ledger.alarms(site.id, states, 200))
    told: dict[str, list[Notice]] = {}
    for notice in ports.ledger.notices([alarm.id for alarm in found]) if operate else ():
        told.setdefault(notice.alarm_id, []).append(notice)
    rehearsed = is_rehearsed(ports, site, forecast)
    return tuple(
        replace(
            at_present(
                alarm_card(alarm, site, wording, words, now_ms, operate=operate),
                alarm, site, forecast, wording, words, now_ms, rehearsed=rehearsed,
            ),
            told=told_lines(told.get(alarm.id, []), wording, words, now_ms),
            knows=who_knows(told.get(alarm.id, []), site, words) if operate else "",
        )
        for alarm in found
    )  # fmt: skip


def is_rehearsed(ports: PagePorts, site: Site, forecast: Forecast | None) -> bool:
    """Whether the pack took over for a discharge test that runs."""
    since_ms = None if forecast is None else forecast.supply_since_ms
    test = None if since_ms is None else running_test(ports.ledger, site.id)
    return test is not None and since_ms is not None and began_with(test, since_ms)


def at_present(
    card: AlarmCard,
    alarm: Alarm,
    site: Site,
    forecast: Forecast | None,
    wording: Wording,
    words: Words,
    now_ms: int,
    *,
    rehearsed: bool,
) -> AlarmCard:
    """A card of an outage with the end as it is foreseen now, what was told then beside it; any other as it is."""
    again = retold(alarm, site, forecast, words, now_ms, rehearsed=rehearsed)
    if again is None:
        return card
    headline = unnamed(again.headline, site.name, words)
    then = "" if headline == card.headline else words(
        "alarms.then", time=wording.clock(alarm.changed_ms, now_ms), headline=card.headline
    )  # fmt: skip
    now = replace(card.alarm, headline=again.headline, action=again.action, by_ms=again.by_ms)
    return replace(card, alarm=now, headline=headline, then=then)


def who_knows(notices: Sequence[Notice], site: Site, words: Words) -> str:
    """Whose receiver has taken a message about an alarm, or that nobody's has; "" where there is nobody to tell."""
    names = dict.fromkeys(notice.who for notice in notices if notice.outcome is NoticeOutcome.TOLD)
    if names:
        return words("fleet.told", who=", ".join(names))
    return words("fleet.told_nobody") if notices or site.contacts else ""


def told_lines(notices: Sequence[Notice], wording: Wording, words: Words, now_ms: int) -> tuple[str, ...]:
    """Who was told, over which channel, when, and what became of it; newest first."""
    lines = []
    for notice in reversed(notices):
        became = words(f"alarms.outcome.{notice.outcome.value}", time=wording.within(notice.at_ms, now_ms))
        reason = f": {words.line(notice.reason)}" if notice.reason and notice.outcome in UNTOLD else ""
        lines.append(f"{notice.who}, {words(f'channel.{notice.channel}')}: {became}{reason}")
    return tuple(lines[:MOST_TOLD])


def alarm_card(alarm: Alarm, site: Site, wording: Wording, words: Words, now_ms: int, *, operate: bool) -> AlarmCard:
    """One alarm in the words of a page. Only readers who may operate see who acknowledged it."""
    acknowledged = None
    if alarm.acknowledged_ms is not None:
        when = wording.clock(alarm.acknowledged_ms, now_ms)
        who = doer((alarm.acknowledged_by if operate else "") or words("link.someone"), words)
        acknowledged = words("alarms.acknowledged", who=who, time=when)
    changed = None
    if alarm.changed_ms - alarm.raised_ms >= MINUTE_MS:
        changed = words("alarms.changed", time=wording.clock(alarm.changed_ms, now_ms))
    shelved = None
    if alarm.shelved_until_ms is not None and alarm.state is AlarmState.SHELVED:
        shelved = words("alarms.shelved_until", time=wording.within(alarm.shelved_until_ms, now_ms))
    said = read_by(alarm, site.name, words)
    return AlarmCard(
        alarm=said,
        headline=unnamed(said.headline, site.name, words),
        over=alarm.cleared_ms is not None,
        afar=afar_of(alarm, contacts_at(site, now_ms), words) if operate else "",
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
