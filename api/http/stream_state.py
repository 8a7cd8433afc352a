"""The present state of all sites, for a client of the event stream that cannot resume."""

from __future__ import annotations

import asyncio
import time
from collections.abc import AsyncIterator, Callable, Sequence

import msgspec
from sse_starlette import ServerSentEvent
from starlette.concurrency import run_in_threadpool

from api.http.answers import alarm_out, forecast_document
from api.http.stream import Hub, Subscription
from api.http.stream_past import past_events
from forecaster.domain.alarms import STANDING
from forecaster.domain.ports import Ledger

SITES_AN_EVENT = 250

RETRY_MS = 3_000
"""How long a client waits before it connects anew [ms]."""

ALLOWED_S = 5.0
"""How often it is checked whether a client may still listen [s]."""


async def whole_stream(
    client: Subscription, hub: Hub, ledger: Ledger, sites: Sequence[str]
) -> AsyncIterator[ServerSentEvent]:
    """Everything that a client of the stream gets: the reconnection time, what it missed, the state if needed, events.

    What it missed comes from the ledger first, and then from memory: an id of this process stands for all before it.

    The state is read after the client has joined, so that nothing falls between the two; only its last part carries
    an id, so that a client cut off before it begins with the whole state again.
    """
    try:
        yield ServerSentEvent(comment="outlast", retry=RETRY_MS)
        async for past in past_events(client, ledger, sites):
            yield past.sent()
        for missed in client.missed:
            yield missed.sent()
        if not client.resumed:
            async for document, last in _state(ledger, sites):
                yield ServerSentEvent(event="state", id=str(client.joined_at) if last else None, data=document)
        async for event in client.events():
            yield event
    finally:
        hub.leave(client)


async def while_allowed(
    events: AsyncIterator[ServerSentEvent], allowed: Callable[[], bool], every_s: float = ALLOWED_S
) -> AsyncIterator[ServerSentEvent]:
    """The events for as long as the client is permitted to have them: revoking a token ends its streams."""
    coming = asyncio.ensure_future(anext(events, None))
    looked_s = time.monotonic()
    try:
        while True:
            await asyncio.wait({coming}, timeout=every_s)
            if time.monotonic() - looked_s >= every_s:
                if not await run_in_threadpool(allowed):
                    return
                looked_s = time.monotonic()
            if coming.done():
                event = coming.result()
                if event is None:
                    return
                yield event
                coming = asyncio.ensure_future(anext(events, None))
    finally:
        coming.cancel()


async def _state(ledger: Ledger, sites: Sequence[str]) -> AsyncIterator[tuple[str, bool]]:
    """One or more `state` documents of some sites each; the last one says so."""
    firsts = range(0, max(len(sites), 1), SITES_AN_EVENT)
    for first in firsts:
        last = first == firsts[-1]
        yield await run_in_threadpool(_document, ledger, sites[first : first + SITES_AN_EVENT], last), last


def _document(ledger: Ledger, sites: Sequence[str], last: bool) -> str:
    """The newest forecast, without its long lists, and the open alarms of each site."""
    newest, standing = ledger.newest(sites, brief=True), ledger.alarms_of(sites, STANDING)
    found = [
        {
            "site": site,
            "forecast": forecast_document(newest.get(site)),
            "alarms": [alarm_out(alarm) for alarm in standing.get(site, [])],
        }
        for site in sites
    ]
    return msgspec.json.encode({"sites": found, "last": last}).decode()
