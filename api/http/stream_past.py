"""What a client of the event stream has missed and its server does not remember: the ledger tells it.

So it is after a new start of the server, when the line was cut for long, and where nobody listened in between: every
change of an alarm since the last event that the client has read, and every forecast with which the supply changed.
"""

from __future__ import annotations

from collections.abc import AsyncIterator, Iterator, Sequence
from dataclasses import replace
from typing import Any

from starlette.concurrency import run_in_threadpool

from api.http.publisher import alarm_data
from api.http.stream import StreamEvent, StreamKind, StreamMark, Subscription
from forecaster.decoding.typed import from_json
from forecaster.domain.ports import Ledger
from forecaster.domain.records import StoredForecast
from forecaster.domain.times import DAY_MS

STEP = 500
"""Changes, sites or forecasts read in one query."""

LATE_MS = 60_000
"""How long after its time of issue a forecast may have been told [ms]; what was told within comes again."""

BACKDATED_MS = DAY_MS
"""How far back an inferred loss of the mains may be dated [ms]."""

FOR_EVER_MS = 2**53

PAST = "past"
"""Stands for the process in the ids of these events: no process is named so, so that a client that is cut off among
them begins where it was cut off."""


async def past_events(client: Subscription, ledger: Ledger, sites: Sequence[str]) -> AsyncIterator[StreamEvent]:
    """Events of the kinds that the server has forgotten, up to the moment of joining."""
    since = client.since
    if since is None:
        return
    if StreamKind.FORECAST in client.forgotten:
        for first in range(0, len(sites), STEP):
            part = sites[first : first + STEP]
            for stored in await run_in_threadpool(supply_changes, ledger, part, since.at_ms - LATE_MS):
                mark = replace(since, boot=PAST, number=0)
                yield StreamEvent(mark, StreamKind.FORECAST, stored.site, stored.document)
    if StreamKind.ALARM in client.forgotten:
        site = next(iter(client.sites)) if client.sites is not None else None
        async for event in _alarms(ledger, since, client.joined_at.change, site):
            yield event


async def _alarms(ledger: Ledger, since: StreamMark, until: int, site: str | None) -> AsyncIterator[StreamEvent]:
    """Changes of alarms after a mark, up to the number of one."""
    after = since.change
    while after < until:
        found = await run_in_threadpool(ledger.changes, after, STEP, site)
        for number, change in found:
            if number <= until:
                mark = replace(since, boot=PAST, number=0, change=number)
                yield StreamEvent(mark, StreamKind.ALARM, change.alarm.site, alarm_data(change))
        after = found[-1][0] if len(found) == STEP else until


def supply_changes(ledger: Ledger, sites: Sequence[str], since_ms: int) -> list[StoredForecast]:
    """The forecasts kept since a moment with which the supply of one of these sites changed, oldest first.

    The first one since then counts, too, of a site whose supply has changed. StoreError.
    """
    moved = ledger.transferred(sites, since_ms - BACKDATED_MS)
    found = [stored for site in moved for stored in _of_site(ledger, site, since_ms)]
    return sorted(found, key=lambda stored: (stored.issued_ms, stored.site))


def _of_site(ledger: Ledger, site: str, since_ms: int) -> Iterator[StoredForecast]:
    before: Any = None
    while kept := ledger.forecasts(site, since_ms, FOR_EVER_MS, STEP):
        for stored in kept:
            supply = from_json(stored.document, dict[str, Any])["supply"]
            if supply != before:
                yield stored
            before = supply
        since_ms = kept[-1].issued_ms + 1
