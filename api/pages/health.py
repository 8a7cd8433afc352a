"""The page Health: every part of a house over the months, and work done that is told there."""

from __future__ import annotations

from datetime import date, datetime
from typing import Annotated
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Form, Request, Response
from fastapi.responses import RedirectResponse

from api.http.dependencies import ServicesIn, SiteIn
from api.pages.guard import CallerIn, CheckedIn, PageRoute, PortsIn
from api.pages.healthpage import health_page
from api.pages.render import page
from api.pages.speech import WordsIn
from forecaster.domain.errors import NotFound
from forecaster.domain.longrecord import WorkKind
from forecaster.live.working import LONGEST, tell_work

router = APIRouter(route_class=PageRoute, include_in_schema=False)


@router.get("/sites/{site}/health")
def health(request: Request, site: SiteIn, ports: PortsIn, words: WordsIn, caller: CallerIn) -> Response:
    """What the newest study says of each part, with a small picture of each, and of the work done."""
    shown = health_page(ports, site, words)
    today = datetime.fromtimestamp(ports.clock.now_ms() / 1000.0, ZoneInfo(site.timezone)).date()
    return page(
        request, "health.html", caller, site_id=site.id, name=site.name, health=shown, today=today.isoformat(),
        kinds=[(kind.value, words(f"work.did-{kind}")) for kind in WorkKind], longest=LONGEST,
        pumps=[pump.id for pump in site.pumps],
    )  # fmt: skip


@router.post("/sites/{site}/health/work")
def add_work(
    site: SiteIn, services: ServicesIn, caller: CheckedIn, kind: Annotated[WorkKind, Form()],
    on: Annotated[date | None, Form()] = None, did: Annotated[str, Form(max_length=LONGEST)] = "",
    pump: Annotated[str, Form(max_length=64)] = "",
) -> Response:  # fmt: skip
    """Tell of work done on a day; its noon counts, or now where that is still to come."""
    now_ms = services.clock.now_ms()
    at_ms = now_ms
    if on is not None:
        noon = datetime(on.year, on.month, on.day, 12, tzinfo=ZoneInfo(site.timezone))
        at_ms = min(now_ms, round(noon.timestamp() * 1000)) if on <= _day(now_ms, site.timezone) else now_ms + 1
    tell_work(services.ledger, site, caller.name, now_ms, kind, at_ms, did=did, pump=pump)
    return RedirectResponse(f"/sites/{site.id}/health#work", status_code=303)


@router.post("/sites/{site}/health/work/undo")
def undo_work(
    site: SiteIn, services: ServicesIn, _: CheckedIn, work: Annotated[str, Form(max_length=160)]
) -> Response:  # fmt: skip
    """Take back work that was told by mistake."""
    if not services.ledger.drop_work(site.id, work):
        raise NotFound(f"work {work!r}")
    return RedirectResponse(f"/sites/{site.id}/health#work", status_code=303)


def _day(at_ms: int, timezone: str) -> date:
    return datetime.fromtimestamp(at_ms / 1000.0, ZoneInfo(timezone)).date()
