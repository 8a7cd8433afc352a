"""A site's calendar: to those who may read the site, and under a link of its own that can be revoked."""

from __future__ import annotations

import re
from hashlib import blake2b
from typing import Annotated, Any

from fastapi import APIRouter, Path, Request, Response
from pydantic import BaseModel, ConfigDict, Field

from api.deliver.couriers import public_url
from api.http import answers
from api.http.calendar import MEDIA_TYPE, site_calendar
from api.http.dependencies import OperatorIn, ServicesIn, SiteIn
from api.http.keyring import CALENDAR, calendar_path, kept_secret, new_token, revoke_token
from api.http.shapes import Shape, Time
from api.process.services import Services
from forecaster.domain.errors import NotFound
from forecaster.domain.records import Token
from forecaster.domain.site import Site
from forecaster.engine.document import time_text
from forecaster.texts.catalogue import Said, words

router = APIRouter(tags=["calendar"])

FEED: dict[int | str, dict[str, Any]] = {200: {"content": {"text/calendar": {"schema": {"type": "string"}}}}}

MADE_AT = re.compile(rb"^DTSTAMP:.*\r\n", re.MULTILINE)


class CalendarLinkIn(BaseModel):
    """Whom a link is for."""

    model_config = ConfigDict(extra="forbid")

    name: Annotated[str, Field(min_length=1, max_length=100, pattern=r"\S")]


class CalendarLinkOut(Shape):
    """A link as it is kept; its address is told once."""

    id: str
    name: str
    created: Time
    last_used: Time | None


class NewCalendarLinkOut(CalendarLinkOut):
    """A link just made."""

    url: str


class CalendarLinksOut(Shape):
    """The links of a site that stand."""

    site: str
    links: list[CalendarLinkOut]


@router.get("/api/v1/sites/{site}/calendar.ics", response_class=Response, responses=FEED)
def calendar(site: SiteIn, services: ServicesIn) -> Response:
    """When the reserve may be reached, when a test and work on the house are due, as iCalendar (RFC 5545)."""
    return feed(services, site)


@router.get("/calendar/{token}.ics", response_class=Response, responses=FEED)
def linked_calendar(secret: Annotated[str, Path(alias="token", max_length=100)], services: ServicesIn) -> Response:
    """The calendar of the site that a link is for: the address itself is the permission, and can be revoked."""
    link = services.keyring.calendar(secret)
    if link is None or link.site is None:
        raise NotFound(Said("usage.calendar_of_this_link"))
    return feed(services, services.site(link.site))


@router.get("/api/v1/sites/{site}/calendar-links", response_model=CalendarLinksOut)
def calendar_links(site: SiteIn, _who: OperatorIn, services: ServicesIn) -> Response:
    """The links to a site's calendar that stand."""
    return answers.json_response({"site": site.id, "links": [link_out(link) for link in standing(services, site)]})


@router.post("/api/v1/sites/{site}/calendar-links", status_code=201, response_model=NewCalendarLinkOut)
def add_calendar_link(
    request: Request, site: SiteIn, _who: OperatorIn, services: ServicesIn, link: CalendarLinkIn
) -> Response:
    """Make a link that opens this site's calendar and nothing else; its address is told this once.

    It begins with `public_url`, or without that with the address under which the server was asked.
    """
    token, secret = new_token(services.ledger, services.clock, link.name, CALENDAR, site.id)
    base = public_url(services.installation) or str(request.base_url).rstrip("/")
    url = f"{base}{calendar_path(secret)}"
    return answers.json_response({**link_out(token), "url": url}, 201)


@router.delete("/api/v1/sites/{site}/calendar-links/{id}", status_code=204)
def revoke_calendar_link(
    site: SiteIn, _who: OperatorIn, services: ServicesIn, link: Annotated[str, Path(alias="id", max_length=100)]
) -> Response:
    """Revoke a link, at once."""
    if link not in {token.id for token in standing(services, site)}:
        raise NotFound(Said("usage.calendar_link", identity=link))
    revoke_token(services.ledger, services.clock, link)
    return Response(status_code=204)


def feed(services: Services, site: Site) -> Response:
    """A site's calendar in the site's language."""
    say = words(site.language or services.installation.words.language)
    key = kept_secret(services.ledger, "calendar-key")
    made = site_calendar(site, services.ledger, key, services.clock.now_ms(), say)
    return Response(made, headers={"ETag": entity_tag(made)}, media_type=MEDIA_TYPE)


def entity_tag(made: bytes) -> str:
    """A weak tag (RFC 9110 section 8.8.1): two calendars that differ only in when they were made are one."""
    return f'W/"{blake2b(MADE_AT.sub(b"", made), digest_size=12).hexdigest()}"'


def standing(services: Services, site: Site) -> list[Token]:
    """The links of a site that are not revoked."""
    tokens = services.ledger.tokens()
    return [t for t in tokens if t.scope == CALENDAR and t.site == site.id and t.revoked_ms is None]


def link_out(token: Token) -> dict[str, str | None]:
    """A link as JSON."""
    used_ms = token.last_used_ms
    return {
        "id": token.id,
        "name": token.name,
        "created": time_text(token.created_ms),
        "last_used": None if used_ms is None else time_text(used_ms),
    }
