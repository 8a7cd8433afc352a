"""Templates and the frame that every page shares."""

from __future__ import annotations

import hashlib
from functools import cache
from pathlib import Path
from typing import Any

from fastapi import Request
from fastapi.responses import HTMLResponse
from jinja2 import Environment, FileSystemLoader, StrictUndefined, select_autoescape

from api.deliver.marked import with_code
from api.pages.absent import absent_words
from api.pages.contexts import Caller
from api.pages.speech import CHOICES, chosen_of, words_of
from forecaster.domain.records import LedgerLoss
from forecaster.domain.site import Site
from forecaster.texts.catalogue import Words, languages, words
from forecaster.texts.wording import Wording

HERE = Path(__file__).parent
STATIC = HERE / "static"


@cache
def environment() -> Environment:
    """The Jinja environment: everything is escaped, and an undefined name is an error."""
    made = Environment(
        loader=FileSystemLoader(HERE / "templates"),
        autoescape=select_autoescape(default=True, default_for_string=True),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.globals.update(static=static_url)
    made.filters.update(code=with_code)
    return made


@cache
def static_url(name: str) -> str:
    """The address of a static file with a stamp of its content, so that it may be cached for ever."""
    stamp = hashlib.sha256((STATIC / name).read_bytes()).hexdigest()[:10]
    return f"/static/{name}?v={stamp}"


def page(
    request: Request, template: str, caller: Caller, *, status: int = 200, site_id: str | None = None, **context: Any
) -> HTMLResponse:
    """A whole page."""
    t = words_of(request)
    others = [(code, words(code)("language.name")) for code in languages() if code != t.code]
    said = (
        environment()
        .get_template(template)
        .render(
            t=t,
            others=others,
            choices=[(what, chosen_of(request, what), options) for what, options in CHOICES.items()],
            viewer=caller,
            path=request.url.path,
            site_id=site_id,
            lost=_lost(request, t),
            absent=_absent(request, site_id, t),
            **context,
        )
    )
    headers = {"Cache-Control": "private, no-cache", "Vary": "Accept-Language, Cookie", "Content-Language": t.code}
    return HTMLResponse(said, status_code=status, headers=headers)


def _absent(request: Request, site_id: str | None, t: Words) -> tuple[str, ...]:
    """That a site's alarms are paused, or that others look after it, on each of its pages while that holds."""
    services = request.app.state.services
    site: Site | None = None if site_id is None else services.installation.sites.get(site_id)
    return () if site is None else absent_words(site, services.clock.now_ms(), t)


def _lost(request: Request, t: Words) -> str | None:
    """That the ledger was lost, and what could be taken over of it, while that is to be told on every page."""
    loss: LedgerLoss | None = request.app.state.services.loss
    if loss is None:
        return None
    at = Wording("UTC", said_in=t, zoned=True).full(loss.at_ms)
    return t("nav.ledger_lost", at=at, tokens=loss.tokens, alarms=loss.alarms, browsers=loss.subscriptions)
