"""Before you leave: the state of the whole chain, each link held, not held or not fitted."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Any

import msgspec

from api.deliver.heartbeat import NOTE as HEARTBEAT
from api.deliver.outbox import is_test, served
from api.deliver.reachable import contact_faults, reachable
from collector.config.settings import Installation
from forecaster.alarms.plan import WEBHOOK
from forecaster.domain.alarms import STANDING, AlarmKind
from forecaster.domain.forecast import HORIZON_H, Basis, Forecast
from forecaster.domain.ports import Ledger, ReadingStore
from forecaster.domain.quantities import Quantity
from forecaster.domain.records import NoticeOutcome
from forecaster.domain.site import Site
from forecaster.domain.times import DAY_MS, HOUR_MS, MINUTE_MS
from forecaster.engine.document import from_document, time_text
from forecaster.texts.catalogue import Words

MONTH_MS = 31 * DAY_MS
PROVEN_MS = 400 * DAY_MS
FRESH_MS = 10 * MINUTE_MS
FULL_PERCENT = 90.0
LEAST_H = 6.0
"""Hours that the pack should last, unless a longer outage is on record [h]. This project's own choice."""


class Held(StrEnum):
    """Whether a link of the chain holds."""

    HELD = "held"
    NOT_HELD = "not-held"
    NOT_FITTED = "not-fitted"


@dataclass(frozen=True, slots=True)
class ReadyLine:
    """One link of the chain.

    must : bool — leaving is safe only where it is held
    says, do : its state in words, and what to do where it is not held
    """

    key: str
    state: Held
    must: bool
    says: str
    do: str = ""

    @property
    def is_held(self) -> bool:
        """Whether it holds; what is not fitted does not."""
        return self.state is Held.HELD


@dataclass(frozen=True, slots=True)
class Readiness:
    """The chain of a site at a moment."""

    site: str
    at_ms: int
    lines: tuple[ReadyLine, ...]

    @property
    def ready(self) -> bool:
        """Whether every must is held."""
        return all(line.is_held for line in self.lines if line.must)


@dataclass(frozen=True, slots=True)
class Chain:
    """The facts that the lines are made from, read once.

    channels : those that the installation serves
    heartbeat : whether one is set up
    """

    channels: frozenset[str]
    heartbeat: bool
    ledger: Ledger
    store: ReadingStore
    site: Site
    say: Words
    now_ms: int
    forecast: Forecast | None
    open_kinds: frozenset[AlarmKind]
    carried_ms: int | None

    def line(self, key: str, held: bool | None, *, must: bool = False, **facts: object) -> ReadyLine:
        """A line in words. `held` None: not fitted."""
        state = Held.NOT_FITTED if held is None else Held.HELD if held else Held.NOT_HELD
        says = self.say(f"ready.{key}.{state.value}", **facts)
        return ReadyLine(key, state, must, says, "" if held else self.say(f"ready.{key}.do"))

    @property
    def fresh(self) -> bool:
        """Whether the forecast is recent and rests on current readings."""
        found = self.forecast
        return (
            found is not None
            and abs(self.now_ms - found.issued_at_ms) <= FRESH_MS
            and found.basis is not Basis.PROJECTED
        )


def chain_of(
    channels: frozenset[str],
    heartbeat: bool,
    ledger: Ledger,
    store: ReadingStore,
    site: Site,
    say: Words,
    now_ms: int,
    forecast: Forecast | None,
) -> Chain:
    """A site's chain with what the ledger tells of it."""
    return Chain(
        channels, heartbeat, ledger, store, site, say, now_ms, forecast,
        frozenset(alarm.kind for alarm in ledger.alarms(site.id, STANDING) if alarm.cleared_ms is None),
        max((o.start_ms for o in ledger.outages(site.id) if o.start_ms >= now_ms - PROVEN_MS), default=None),
    )  # fmt: skip


def readiness_of(
    installation: Installation, ledger: Ledger, store: ReadingStore, site: Site, say: Words, now_ms: int
) -> Readiness:
    """Look at every link of a site's chain."""
    stored = ledger.newest([site.id]).get(site.id)
    forecast = None if stored is None else from_document(msgspec.json.decode(stored.document))
    heartbeat = installation.heartbeat.url is not None
    return readiness_at(chain_of(served(installation), heartbeat, ledger, store, site, say, now_ms, forecast))


def readiness_at(chain: Chain) -> Readiness:
    """Look at every link of a chain."""
    lines = [*_people(chain), *(look(chain) for look in LOOKS)]
    return Readiness(chain.site.id, chain.now_ms, tuple(lines))


def _people(chain: Chain) -> list[ReadyLine]:
    """Whether somebody can be told and has answered; then one line for each person."""
    subscribed = chain.ledger.subscriptions()
    people = reachable(chain.site, chain.channels, subscribed)
    answered = answers_of(chain.ledger, chain.site.id, chain.now_ms)
    names = sorted({who for who, _ in people} | {contact.name for contact in chain.site.contacts})
    by_channel = {who: [channel for name, channel in people if name == who] for who in names}
    reached = [who for who in names if any((who, channel) in answered for channel in by_channel[who])]
    first = chain.line("told", bool(reached), must=True, who=", ".join(reached))
    if not people:
        first = replace(first, says=chain.say("ready.told.nobody"), do=chain.say("ready.told.add"))
    aside = [fault.says for fault in contact_faults(chain.site, chain.channels, chain.say) if not fault.who]
    each = [ReadyLine("contact-lost", Held.NOT_HELD, False, says, chain.say("ready.aside.do")) for says in aside]
    for who in names:
        known = by_channel[who]
        key = "contact" if known else "contact-lost"
        each.append(chain.line(key, who in reached, who=who, channels=", ".join(known)))
    return [first, *each]


def answers_of(ledger: Ledger, site: str, now_ms: int) -> set[tuple[str, str]]:
    """(name, channel) of every test message answered within the last month; a webhook answers by accepting it."""
    return {
        (notice.who, notice.channel)
        for notice in ledger.notices_between(site, now_ms - MONTH_MS, now_ms + MINUTE_MS)
        if is_test(notice.alarm_id)
        and notice.outcome is NoticeOutcome.TOLD
        and (notice.answered_ms is not None or notice.channel == WEBHOOK)
    }


def _pack(chain: Chain) -> ReadyLine:
    on = not chain.open_kinds & {AlarmKind.PACK_OUTPUT_OFF, AlarmKind.PUMP_SILENT}
    return chain.line("pack", on and chain.carried_ms is not None, must=True)


def _transfer(chain: Chain) -> ReadyLine:
    return chain.line("transfer", chain.carried_ms is not None)


def _charge(chain: Chain) -> ReadyLine:
    percent = None if chain.forecast is None else chain.forecast.charge_percent
    well = chain.fresh and percent is not None and percent >= FULL_PERCENT
    shown = chain.say("ready.unknown") if percent is None else chain.say.signs(f"{percent:.0f}%")
    return chain.line("charge", well and AlarmKind.PACK_NOT_CHARGING not in chain.open_kinds, must=True, percent=shown)


def _float(chain: Chain) -> ReadyLine:
    if not chain.site.has(Quantity.HIGH_WATER):
        return chain.line("float", None)
    heard = [r for (quantity, _), r in chain.store.latest(chain.site.id).items() if quantity is Quantity.HIGH_WATER]
    recent = any(chain.now_ms - reading.time_ms <= DAY_MS and reading.value == 0.0 for reading in heard)
    return chain.line("float", recent and AlarmKind.HIGH_WATER not in chain.open_kinds)


def _watch(chain: Chain) -> ReadyLine:
    off = AlarmKind.TELEMETRY_SILENT in chain.site.alarms.off
    return chain.line("watch", chain.fresh and not off and AlarmKind.TELEMETRY_SILENT not in chain.open_kinds)


def _heartbeat(chain: Chain) -> ReadyLine:
    if not chain.heartbeat:
        return chain.line("heartbeat", None)
    noted = chain.ledger.noted(HEARTBEAT)
    return chain.line("heartbeat", noted is not None and chain.now_ms - int(noted) <= FRESH_MS)


def _clock(chain: Chain) -> ReadyLine:
    return chain.line("clock", chain.fresh and AlarmKind.CLOCK_SUSPECT not in chain.open_kinds, must=True)


def _margin(chain: Chain) -> ReadyLine:
    hours = None if chain.forecast is None else chain.forecast.hours_remaining.p10
    past = [
        (o.end_ms - o.start_ms) / HOUR_MS for o in chain.ledger.outages(chain.site.id) if o.end_ms and not o.rehearsal
    ]
    need = max([LEAST_H, *past])
    endless = chain.forecast is not None and hours is None and chain.forecast.never_probability >= 0.5
    shown = chain.say("ready.hours_unknown") if hours is None else f"{hours:.0f} h"
    if endless:
        shown = chain.say("ready.hours_beyond", hours=HORIZON_H)
    return chain.line("margin", chain.fresh and (endless or (hours or 0.0) >= need), hours=shown, need=f"{need:.0f} h")


LOOKS: tuple[Callable[[Chain], ReadyLine], ...] = (
    _pack, _charge, _clock, _transfer, _float, _watch, _heartbeat, _margin,
)  # fmt: skip


def readiness_out(found: Readiness, *, names: bool) -> dict[str, Any]:
    """The chain as JSON; with the names of people only where asked for."""
    shown = found.lines if names else nameless(found.lines)
    return {
        "site": found.site,
        "at": time_text(found.at_ms),
        "ready": found.ready,
        "lines": [{"key": x.key, "state": x.state.value, "must": x.must, "says": x.says, "do": x.do} for x in shown],
    }


def nameless(lines: Sequence[ReadyLine]) -> tuple[ReadyLine, ...]:
    """The lines without the names of people; the line that somebody can be told stays."""
    kept = (line for line in lines if line.key not in ("contact", "contact-lost"))
    return tuple(replace(line, says="") if line.key == "told" and line.is_held else line for line in kept)
