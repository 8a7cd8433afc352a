"""The list of all sites follows what happens: a word to the browser where a line of it would read otherwise."""

from __future__ import annotations

from collections.abc import AsyncIterator, Mapping
from functools import partial

import msgspec
from fastapi import APIRouter, Request
from sse_starlette import EventSourceResponse, ServerSentEvent
from starlette.concurrency import run_in_threadpool

from api.http.dependencies import PrincipalIn, ServicesIn
from api.http.security import still_holds
from api.http.stream import StreamKind, Subscription
from api.http.stream_state import RETRY_MS, while_allowed
from forecaster.decoding.typed import from_json
from forecaster.domain.ports import Ledger

PING_S = 15
CHARGE_STEP = 5.0
"""Steps of the charge that are worth a new drawing [%]."""
END_STEP_H = 0.5
"""On the pack the same for the middle of the range [h]."""

router = APIRouter(include_in_schema=False)


class _Hours(msgspec.Struct):
    p50: float | None = None


class Glimpse(msgspec.Struct):
    """What a line of the list tells of a forecast document."""

    site: str
    supply: str
    basis: str
    hours_remaining: _Hours
    charge_percent: float | None = None

    def seen(self) -> tuple[str, str, int | None, int | None]:
        """The same as coarse as an eye takes it; on mains the end moves with the clock, and is no news."""
        end_h = self.hours_remaining.p50 if self.supply == "pack" else None
        return (self.supply, self.basis, _step(end_h, END_STEP_H), _step(self.charge_percent, CHARGE_STEP))


def _step(value: float | None, size: float) -> int | None:
    return None if value is None else round(value / size)


@router.get("/fleet/changes")
async def changes(request: Request, who: PrincipalIn, services: ServicesIn) -> EventSourceResponse:
    """An event `changed` for every line that changes; the browser then asks for the lines it shows."""
    wanted = None if who.site is None else frozenset({who.site})
    client = services.hub.join(wanted, None, frozenset({StreamKind.FORECAST, StreamKind.ALARM}))
    sites = sorted(services.installation.sites) if who.site is None else [who.site]
    events = stirred(client, partial(glimpses, services.ledger, sites))
    return EventSourceResponse(
        while_allowed(events, partial(still_holds, request)),
        ping=PING_S,
        send_timeout=30,
        headers={"X-Accel-Buffering": "no", "Cache-Control": "no-store"},
    )


def glimpses(ledger: Ledger, sites: list[str]) -> Mapping[str, Glimpse]:
    """How every site stands in the ledger."""
    found = ledger.newest(sites, brief=True)
    return {site: from_json(stored.document, Glimpse) for site, stored in found.items()}


async def stirred(client: Subscription, known: partial[Mapping[str, Glimpse]]) -> AsyncIterator[ServerSentEvent]:
    """`changed` with the site's id, for each alarm and for each forecast that reads otherwise than the one before."""
    yield ServerSentEvent(comment="outlast", retry=RETRY_MS)
    seen = {site: glimpse.seen() for site, glimpse in (await run_in_threadpool(known)).items()}
    async for event in client.events():
        if event.event == StreamKind.FORECAST.value:
            glimpse = from_json(str(event.data), Glimpse)
            if seen.get(glimpse.site) == glimpse.seen():
                continue
            seen[glimpse.site] = glimpse.seen()
            yield ServerSentEvent(event="changed", data=glimpse.site)
        else:
            yield ServerSentEvent(event="changed", data="")
