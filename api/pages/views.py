"""The pages' addresses."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated

from fastapi import APIRouter, Query, Request, Response

from api.dependencies import SiteIn
from api.pages.fleetpage import fleet_page
from api.pages.guard import CallerIn, DeskIn, PageRoute
from api.pages.render import page
from api.pages.sitepage import site_now
from api.pages.words import words
from forecaster.domain.errors import UsageError
from forecaster.domain.site import Site
from forecaster.wording import Wording

router = APIRouter(route_class=PageRoute, include_in_schema=False)


@router.get("/")
def fleet(
    request: Request,
    desk: DeskIn,
    caller: CallerIn,
    q: Annotated[str, Query(max_length=100)] = "",
    show: Annotated[str, Query(max_length=10)] = "all",
    page_number: Annotated[int, Query(alias="page", ge=1, le=10_000)] = 1,
) -> Response:
    """All sites, soonest out first."""
    context = fleet_page(desk, words(), query=q, show=show, page=page_number, only=caller.site)
    return page(request, "fleet.html", caller, fleet=context)


@router.get("/sites/{site}")
def site(
    request: Request,
    site: SiteIn,
    desk: DeskIn,
    caller: CallerIn,
    until: Annotated[str, Query(max_length=40)] = "",
    meaning: Annotated[str, Query(alias="as", max_length=10)] = "mains",
) -> Response:
    """One site: the sentence, the strip, alarms, water and log."""
    at_ms = moment(site, until) if until else None
    now = site_now(desk, site, words(), until_ms=at_ms, meaning=meaning, operate=caller.operate)
    return page(request, "site.html", caller, site_id=site.id, name=site.name, now=now)


@router.get("/sites/{site}/now")
def site_living(
    request: Request,
    site: SiteIn,
    desk: DeskIn,
    caller: CallerIn,
    until: Annotated[str, Query(max_length=40)] = "",
    meaning: Annotated[str, Query(alias="as", max_length=10)] = "mains",
) -> Response:
    """The living part of a site's page alone, for the script to put in place."""
    at_ms = moment(site, until) if until else None
    now = site_now(desk, site, words(), until_ms=at_ms, meaning=meaning, operate=caller.operate)
    return page(request, "living.html", caller, now=now)


def moment(site: Site, text: str) -> int:
    """A moment as a form gives it, in the site's zone unless it names its own; the first of a doubled hour."""
    try:
        at = datetime.fromisoformat(text)
    except ValueError as error:
        raise UsageError(f"{text!r} is not a time", "write it as 2026-03-03T14:00") from error
    if at.tzinfo is None:
        at = at.replace(tzinfo=Wording.of(site).zone)
    return round(at.timestamp() * 1000)
