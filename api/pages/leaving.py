"""The page "Before you leave": the present state of the chain, test messages, and the digits that answer them."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Form, Request, Response
from fastapi.responses import RedirectResponse

from api.deliver.links import tickets
from api.deliver.outbox import is_test, served, trial_messages
from api.http.dependencies import ServicesIn, SiteIn
from api.offline.readiness import nameless, readiness_of
from api.pages.guard import CallerIn, CheckedIn, PageRoute
from api.pages.render import page
from api.pages.speech import WordsIn
from api.process.services import Services
from forecaster.alarms.plan import HUBS
from forecaster.domain.site import Site
from forecaster.domain.times import DAY_MS

router = APIRouter(route_class=PageRoute, include_in_schema=False)

CODE_MS = 2 * DAY_MS
"""How long the digits of a test message answer it."""


@router.get("/sites/{site}/leaving")
def leaving(
    request: Request, site: SiteIn, services: ServicesIn, caller: CallerIn, words: WordsIn, said: str = ""
) -> Response:
    """Each line held, not held with what to do, or not fitted."""
    now_ms = services.clock.now_ms()
    found = readiness_of(services.installation, services.ledger, services.store, site, words, now_ms)
    told = said if said in ("new", "sent", "answered", "unknown") else ""
    lines = found.lines if caller.operate else nameless(found.lines)
    return page(
        request, "leaving.html", caller, site_id=site.id, name=site.name, lines=lines, ready=found.ready, said=told
    )


@router.post("/sites/{site}/leaving/test")
def test(site: SiteIn, services: ServicesIn, _: CheckedIn) -> Response:
    """Send a test message to every person of the site."""
    code = tickets(services.installation, services.ledger).code
    channels = served(services.installation) - set(HUBS)
    owed = trial_messages(site, services.ledger, channels, services.clock.now_ms(), code)
    services.ledger.commit_transitions([], owed, [])
    services.wake()
    return RedirectResponse(f"/sites/{site.id}/leaving?said=sent", status_code=303)


@router.post("/sites/{site}/leaving/code")
def answer(
    site: SiteIn, services: ServicesIn, _: CheckedIn, code: Annotated[str, Form(pattern=r"^\s*\d{4}\s*$")]
) -> Response:
    """Accept the four digits of a test message as its answer."""
    said = "answered" if answer_code(services, site, code.strip()) else "unknown"
    return RedirectResponse(f"/sites/{site.id}/leaving?said={said}", status_code=303)


def answer_code(services: Services, site: Site, code: str) -> bool:
    """Record the answer to the test message of the last two days with these digits. Returns whether there was one."""
    now_ms = services.clock.now_ms()
    digits = tickets(services.installation, services.ledger).code
    for notice in services.ledger.notices_between(site.id, now_ms - CODE_MS, now_ms + 1):
        if is_test(notice.alarm_id) and digits(notice.alarm_id, notice.who) == code:
            return services.ledger.answer(notice.alarm_id, notice.who, now_ms)
    return False
