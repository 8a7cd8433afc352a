"""The neighbour's sheet: one page to print before a trip, with a link to this house alone that ends with the trip.

Nothing of it is kept but the link; where things stand and who is called are printed and forgotten.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Annotated
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Form, Request, Response
from fastapi.responses import RedirectResponse

from api.deliver.couriers import public_url
from api.http.dependencies import OperatorIn, ServicesIn, SiteIn
from api.http.keyring import new_guest, revoke_token
from api.offline.readiness import readiness_at
from api.pages.guard import CallerIn, CheckedIn, PageRoute, PortsIn
from api.pages.guest import LOOK
from api.pages.moments import asked_day
from api.pages.ports import PagePorts
from api.pages.render import page
from api.pages.sitepage import age_of, sentence_of, silent_since
from api.pages.speech import WordsIn
from api.process.services import Services
from forecaster.domain.errors import NotFound, UsageError
from forecaster.domain.records import Token
from forecaster.domain.site import Site
from forecaster.texts.catalogue import Said, Words
from forecaster.texts.wording import Wording
from forecaster.trip.answering import whole_days_ms

router = APIRouter(route_class=PageRoute, include_in_schema=False)

USUAL_DAYS, MOST_DAYS = 7, 92
"""The trip that the form begins with, and the longest that a link is made for [days]."""

MOST_CALLED, MOST_LINES = 6, 6
"""People to call, and lines of where things are, that one page has room for."""

FIRST = ("look", "dry", "call", "pack", "silent", "wet")
NEVER = ("water", "generator", "battery", "cord", "wiring")

Day = Annotated[str, Form(max_length=40)]
Text = Annotated[str, Form(max_length=600)]
"""Twice what the field takes: browsers send each line break as two characters (HTML, form submission)."""
Name = Annotated[str, Form(max_length=60)]


@dataclass(frozen=True, slots=True)
class SheetLink:
    """A link that stands: its id, whom it is for, until when, and when it was last used."""

    id: str
    name: str
    ends: str
    used: str


@dataclass(frozen=True, slots=True)
class NeighbourSheet:
    """What is printed.

    people : whom to call, (name, number); now : the state at the time of printing; lacks : what is not ready
    address, code : what the link opens and what is typed there; "" where no link was made
    """

    who: str
    span: str
    where: str
    people: tuple[tuple[str, str], ...]
    now: str
    made: str
    lacks: tuple[str, ...]
    address: str
    code: str
    ends: str


@router.get("/sites/{site}/sheet")
def form(
    request: Request,
    site: SiteIn,
    services: ServicesIn,
    ports: PortsIn,
    words: WordsIn,
    caller: CallerIn,
    _: OperatorIn,
) -> Response:
    """What the sheet is to say, and the links that stand."""
    now_ms = ports.clock.now_ms()
    today = datetime.fromtimestamp(now_ms / 1000.0, ZoneInfo(site.timezone)).date()
    leave, back = _usual(site, today)
    return page(
        request, "sheet_form.html", caller, site_id=site.id, name=site.name,
        leave=leave.isoformat(), back=back.isoformat(), today=today.isoformat(),
        people=[contact for contact in site.contacts if contact.phone], most_called=MOST_CALLED,
        open_outside=_address(services) is not None,
        links=links_of(ports, site, words),
    )  # fmt: skip


@router.post("/sites/{site}/sheet")
def sheet(
    request: Request,
    site: SiteIn,
    services: ServicesIn,
    ports: PortsIn,
    words: WordsIn,
    caller: CheckedIn,
    leave: Day,
    back: Day,
    who: Name = "",
    where: Text = "",
    link: Annotated[str, Form(max_length=3)] = "",
    call: Annotated[list[Name] | None, Form(max_length=50)] = None,
) -> Response:
    """The sheet itself, and the link that it carries; its code is shown this once."""
    first, last = asked_day(leave), asked_day(back)
    now_ms = ports.clock.now_ms()
    _, ends_ms = whole_days_ms(site, first, last)
    if len(call or ()) > MOST_CALLED:
        raise UsageError(Said("sheet.many", most=MOST_CALLED), Said("sheet.many_fix"))
    if last < first or ends_ms <= now_ms or last - first > timedelta(days=MOST_DAYS):
        raise UsageError(Said("sheet.span_bad", most=MOST_DAYS), Said("sheet.span_fix"))
    address, code = _address(services), ""
    if link and address is not None:
        code = new_guest(ports.ledger, ports.clock, who.strip() or words("sheet.neighbour"), site.id, ends_ms)[1]
    wording = Wording.of(site, words)
    made = NeighbourSheet(
        who=who.strip(), span=words("sheet.span", leave=_day(first, words), back=_day(last, words)),
        where=_lines(where),
        people=tuple((one.name, one.phone) for one in site.contacts if one.phone and one.name in (call or ())),
        now=_state(ports, site, words), made=wording.full(now_ms), lacks=_lacks(ports, site, words),
        address=address if code and address is not None else "", code=code, ends=wording.full(ends_ms),
    )  # fmt: skip
    answer = page(request, "sheet.html", caller, site_id=site.id, name=site.name, sheet=made, first=FIRST, never=NEVER)
    answer.headers["Cache-Control"] = "no-store"
    return answer


@router.post("/sites/{site}/sheet/revoke")
def revoke(
    site: SiteIn, services: ServicesIn, _: CheckedIn, link: Annotated[str, Form(pattern="^[0-9a-f]{1,16}$")]
) -> Response:
    """End a link, at once."""
    if link not in {token.id for token in standing(services.ledger.tokens(), site, services.clock.now_ms())}:
        raise NotFound(Said("usage.token", identity=link))
    revoke_token(services.ledger, services.clock, link)
    return RedirectResponse(f"/sites/{site.id}/sheet#links", status_code=303)


def standing(tokens: list[Token], site: Site, now_ms: int) -> list[Token]:
    """The links of a site that end by themselves and have not ended."""
    return [token for token in tokens if token.site == site.id and token.ends_ms is not None and token.stands(now_ms)]


def links_of(ports: PagePorts, site: Site, words: Words) -> tuple[SheetLink, ...]:
    """The same as a page lists them."""
    now_ms, wording = ports.clock.now_ms(), Wording.of(site, words)
    return tuple(
        SheetLink(
            token.id, token.name, wording.full(token.ends_ms or 0),
            words("sheet.unused") if token.last_used_ms is None else wording.clock(token.last_used_ms, now_ms),
        )
        for token in standing(ports.ledger.tokens(), site, now_ms)
    )  # fmt: skip


def _address(services: Services) -> str | None:
    """What a link opens; None where the pages cannot be opened from elsewhere, or open without one."""
    base = public_url(services.installation) if services.login_needed else None
    return None if base is None else f"{base}{LOOK}"


def _usual(site: Site, today: date) -> tuple[date, date]:
    if site.away is not None and site.away.last >= today:
        return max(site.away.first, today), site.away.last
    return today + timedelta(days=1), today + timedelta(days=1 + USUAL_DAYS)


def _day(day: date, words: Words) -> str:
    return words(
        "sheet.day", weekday=words("wording.weekdays").split()[day.weekday()], day=day.day,
        month=words("wording.months").split()[day.month - 1], year=day.year,
    )  # fmt: skip


def _lines(text: str) -> str:
    """A text in few lines: what stands further down is joined to the last."""
    lines = [line for line in map(str.strip, text.splitlines()) if line]
    return "\n".join([*lines[: MOST_LINES - 1], *filter(None, [" ".join(lines[MOST_LINES - 1 :])])])


def _state(ports: PagePorts, site: Site, words: Words) -> str:
    """The sentence of the site's page, as it is when the sheet is made."""
    now_ms, wording, forecast = ports.clock.now_ms(), Wording.of(site, words), ports.forecast(site.id)
    age = age_of(ports.store.latest(site.id).values(), forecast, now_ms, wording, words)
    return sentence_of(forecast, wording, words, now_ms, silent_since(site, forecast, age, now_ms)).striptags()


def _lacks(ports: PagePorts, site: Site, words: Words) -> tuple[str, ...]:
    """What must hold before one leaves and does not; without the names of people."""
    found = readiness_at(ports.chain(site, words, ports.clock.now_ms(), ports.forecast(site.id)))
    return tuple(line.says for line in found.lines if line.must and not line.is_held)
