"""Addresses of the discharge test page."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Form, Request, Response
from fastapi.responses import RedirectResponse

from api.http.dependencies import ServicesIn, SiteIn
from api.pages.guard import CallerIn, CheckedIn, PageRoute, PortsIn
from api.pages.moments import moment
from api.pages.rehearsalpage import rehearsal_page
from api.pages.render import page
from api.pages.siteform import number_in
from api.pages.speech import WordsIn
from forecaster.live.rehearsals import ask_finish, say_pulled, start_test

router = APIRouter(route_class=PageRoute, include_in_schema=False)


@router.get("/sites/{site}/discharge")
def discharge(
    request: Request, site: SiteIn, ports: PortsIn, words: WordsIn, caller: CallerIn, asked: bool = False
) -> Response:
    """The running test, the form, and what was measured before."""
    context = rehearsal_page(ports, site, words, operate=caller.operate)
    return page(request, "discharge.html", caller, site_id=site.id, name=site.name, test=context, asked=asked)


@router.post("/sites/{site}/discharge/start")
def start(
    site: SiteIn,
    services: ServicesIn,
    caller: CheckedIn,
    until_percent: Annotated[str, Form(max_length=10)] = "",
    until: Annotated[str, Form(max_length=40)] = "",
) -> Response:
    """Start a test; it begins when the pack's plug is pulled from the wall."""
    percent = number_in(until_percent, "percent", "until_percent") if until_percent.strip() else None
    until_ms = moment(site, until) if until else None
    start_test(services.ledger, site, caller.name, services.clock.now_ms(), percent, until_ms)
    services.wake()
    return RedirectResponse(f"/sites/{site.id}/discharge", status_code=303)


@router.post("/sites/{site}/discharge/pull")
def pull(
    site: SiteIn,
    services: ServicesIn,
    _: CheckedIn,
    test: Annotated[str, Form(max_length=200, pattern="^[a-z0-9:-]+$")],
) -> Response:
    """Say "I am pulling the plug now"."""
    say_pulled(services.ledger, site, test, services.clock.now_ms())
    services.wake()
    return RedirectResponse(f"/sites/{site.id}/discharge", status_code=303)


@router.post("/sites/{site}/discharge/finish")
def finish(
    site: SiteIn,
    services: ServicesIn,
    _: CheckedIn,
    test: Annotated[str, Form(max_length=200, pattern="^[a-z0-9:-]+$")],
) -> Response:
    """Finish the running test by hand."""
    ask_finish(services.ledger, site.id, test, services.clock.now_ms())
    services.wake()
    return RedirectResponse(f"/sites/{site.id}/discharge?asked=true", status_code=303)
