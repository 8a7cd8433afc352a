"""The signed link of a mail. Opening it shows what it is about; only its button acknowledges, since scanners open
links. The link itself is the permission: it names one alarm, is signed, and expires."""

from __future__ import annotations

from html import escape
from typing import Annotated

import msgspec
from fastapi import APIRouter, Path
from fastapi.responses import HTMLResponse

from api.deliver.links import Ticket, tickets
from api.deliver.outbox import is_test
from api.http.dependencies import ServicesIn
from api.pages.speech import WordsIn
from api.process.services import Services
from forecaster.alarms.present import read_by
from forecaster.domain.alarms import Alarm, AlarmState
from forecaster.domain.errors import NotFound
from forecaster.texts.catalogue import Words
from forecaster.texts.doers import MAIL_LINK, doer
from forecaster.texts.wording import Wording

router = APIRouter(tags=["alarms"], include_in_schema=False)

Token = Annotated[str, Path(max_length=600, pattern=r"^[A-Za-z0-9_-]+\.[A-Za-z0-9_-]+$")]
WAITING = (AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED_UNACKNOWLEDGED)
NO_STORE = {"Cache-Control": "no-store", "Referrer-Policy": "same-origin"}


def _page(words: Words, title: str, parts: list[str], status: int = 200) -> HTMLResponse:
    body = "".join(parts)
    return HTMLResponse(
        f'<!doctype html><html lang="{words.code}"><head><meta charset="utf-8"><title>{escape(title)}</title>'
        '<meta name="viewport" content="width=device-width, initial-scale=1"><meta name="robots" content="noindex">'
        f'<link rel="stylesheet" href="/static/outlast.css"></head><body><main><h1>{escape(title)}</h1>{body}'
        "</main></body></html>",
        status_code=status,
        headers=NO_STORE,
    )


def _ticket_of(services: Services, token: str) -> Ticket | None:
    links = tickets(services.installation, services.ledger)
    return links.read(token, services.clock.now_ms())


def _alarm_of(services: Services, token: str) -> tuple[Ticket, Alarm] | None:
    ticket = _ticket_of(services, token)
    if ticket is None:
        return None
    try:
        return ticket, services.ledger.alarm(ticket.alarm_id)
    except NotFound:
        return None


def _not_valid(words: Words) -> HTMLResponse:
    return _page(words, words("link.bad"), [f"<p>{escape(words('link.bad_text'))}</p>"], 404)


@router.get("/acknowledge/{token}", response_class=HTMLResponse)
def link_page(token: Token, services: ServicesIn, words: WordsIn) -> HTMLResponse:
    """The page that a link opens: the alarm, and the button to acknowledge it."""
    found = _alarm_of(services, token)
    if found is None:
        return _not_valid(words)
    _, told = found
    name = services.installation.sites[told.site].name if told.site in services.installation.sites else told.site
    alarm = read_by(told, name, words)
    parts = [f"<p>{escape(alarm.headline)}</p>", f"<p>{escape(alarm.action)}</p>"]
    if alarm.state in WAITING:
        parts.append(
            f'<form method="post"><button type="submit">{escape(words("mail.acknowledge"))}</button></form>'
            f"<p>{escape(words('link.effect'))}</p>"
        )
    else:
        parts.append(f"<p>{escape(_stands(services, alarm, words))}</p>")
    return _page(words, name, parts)


@router.post("/acknowledge/{token}", response_class=HTMLResponse)
def acknowledge_by_link(token: Token, services: ServicesIn, words: WordsIn) -> HTMLResponse:
    """Acknowledge the alarm that the link names; doing it twice changes nothing."""
    found = _alarm_of(services, token)
    if found is None:
        return _not_valid(words)
    ticket, alarm = found
    if alarm.state in WAITING:
        body = msgspec.json.encode({"by": ticket.contact or MAIL_LINK}).decode()
        services.ledger.request("acknowledge", alarm.id, body, services.clock.now_ms())
        services.wake()
    return _page(words, words("link.thanks"), [f"<p>{escape(words('link.stopped'))}</p>"])


@router.get("/answer/{token}", response_class=HTMLResponse)
def show_answer(token: Token, services: ServicesIn, words: WordsIn) -> HTMLResponse:
    """The page that the link of a test message opens, with the button that answers it."""
    ticket = _ticket_of(services, token)
    if ticket is None or not is_test(ticket.alarm_id):
        return _not_valid(words)
    site = services.installation.sites.get(ticket.alarm_id.partition(":")[0])
    parts = [
        f"<p>{escape(words('link.answer'))}</p>",
        f'<form method="post"><button type="submit">{escape(words("mail.answer"))}</button></form>',
    ]
    return _page(words, words("link.answer_title") if site is None else site.name, parts)


@router.post("/answer/{token}", response_class=HTMLResponse)
def answer(token: Token, services: ServicesIn, words: WordsIn) -> HTMLResponse:
    """Record that the person has seen the test message; doing it twice changes nothing."""
    ticket = _ticket_of(services, token)
    if ticket is None or not is_test(ticket.alarm_id):
        return _not_valid(words)
    if not services.ledger.answer(ticket.alarm_id, ticket.contact, services.clock.now_ms()):
        return _not_valid(words)
    return _page(words, words("link.thanks"), [f"<p>{escape(words('link.answered'))}</p>"])


def _stands(services: Services, alarm: Alarm, words: Words) -> str:
    """The state of an alarm that needs no acknowledgement, in words."""
    if alarm.acknowledged_ms is None:
        return words("link.nothing", state=words(f"alarms.state.{alarm.state.value}"))
    now = services.clock.now_ms()
    site = services.installation.sites.get(alarm.site)
    wording = Wording("UTC", said_in=words) if site is None else Wording.of(site, words)
    by = doer(alarm.acknowledged_by or words("link.someone"), words)
    return words("link.acknowledged", who=by, time=wording.clock(alarm.acknowledged_ms, now))
