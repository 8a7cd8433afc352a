"""The event stream."""

from __future__ import annotations

from functools import partial
from typing import Annotated

from fastapi import APIRouter, Header, Query, Request
from sse_starlette import EventSourceResponse

from api.http.dependencies import SITE_ID, PrincipalIn, ServicesIn
from api.http.security import require_site, still_holds
from api.http.stream import EVERY_KIND, StreamKind
from api.http.stream_events import EVENT_STREAM, EVENTS
from api.http.stream_state import while_allowed, whole_stream
from forecaster.domain.errors import UsageError
from forecaster.texts.catalogue import Said

PING_S = 15

router = APIRouter(prefix="/api/v1", tags=["stream"])


@router.get(
    "/stream",
    response_class=EventSourceResponse,
    responses={200: {"content": {EVENT_STREAM: {"schema": EVENTS}}}},
)
async def stream(
    request: Request,
    who: PrincipalIn,
    services: ServicesIn,
    site: Annotated[str | None, Query(pattern=SITE_ID, description="One site; all if left out.")] = None,
    events: Annotated[
        str | None, Query(max_length=100, description="Kinds with commas between, as forecast,alarm; all if left out.")
    ] = None,
    last_event_id: Annotated[str | None, Header(max_length=100)] = None,
) -> EventSourceResponse:
    """Server-Sent Events `forecast`, `alarm` and `reading` as they happen.

    A connection without the Last-Event-ID of an earlier one begins with `state`: the newest forecast and the standing
    alarms of each site, in one event or, where sites are many, in several, of which the last says `"last": true`. With
    an id, the forecasts and alarms that were missed come first; where the server does not remember them, every change
    of an alarm and of the supply, and then the state. `lost` tells a slow reader how many events went.
    """
    if site is not None:
        require_site(who, site)
        services.site(site)
    wanted = site or who.site
    kinds = kinds_of(events)
    client = services.hub.join(None if wanted is None else frozenset({wanted}), last_event_id, kinds)
    sites = sorted(services.installation.sites) if wanted is None else [wanted]
    return EventSourceResponse(
        while_allowed(whole_stream(client, services.hub, services.ledger, sites), partial(still_holds, request)),
        ping=PING_S,
        send_timeout=30,
        headers={"X-Accel-Buffering": "no", "Cache-Control": "no-store"},
    )


def kinds_of(text: str | None) -> frozenset[StreamKind]:
    """Kinds of events as named in a query. UsageError for one that is not known."""
    if text is None:
        return EVERY_KIND
    known = {kind.value: kind for kind in StreamKind}
    names = [name.strip() for name in text.split(",")]
    for name in names:
        if name not in known:
            raise UsageError(
                Said("usage.events_is_not_one_of_them", name=name), Said("usage.name_some_of", names=", ".join(known))
            )
    return frozenset(known[name] for name in names)
