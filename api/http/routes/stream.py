"""The event stream."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Header, Query
from sse_starlette import EventSourceResponse

from api.http.dependencies import PrincipalIn, ServicesIn
from api.http.security import require_site

PING_S = 15

router = APIRouter(prefix="/api/v1", tags=["stream"])


@router.get(
    "/stream",
    response_class=EventSourceResponse,
    responses={200: {"content": {"text/event-stream": {"schema": {"type": "string"}}}}},
)
async def stream(
    who: PrincipalIn,
    services: ServicesIn,
    site: Annotated[str | None, Query(pattern=r"^[a-z0-9-]{1,64}$", description="One site; all if left out.")] = None,
    last_event_id: Annotated[str | None, Header(max_length=100)] = None,
) -> EventSourceResponse:
    """Server-Sent Events `forecast`, `alarm` and `reading` as they happen; `lost` tells a slow reader how many went.

    With the Last-Event-ID of an earlier connection, forecasts and alarms that were missed come first.
    """
    if site is not None:
        require_site(who, site)
        services.site(site)
    wanted = site or who.site
    client = services.hub.join(None if wanted is None else frozenset({wanted}), last_event_id)
    return EventSourceResponse(
        client.events(),
        ping=PING_S,
        send_timeout=30,
        headers={"X-Accel-Buffering": "no", "Cache-Control": "no-store"},
    )
