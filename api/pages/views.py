"""The pages' addresses."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated

import msgspec
from fastapi import APIRouter, Depends, Form, Path, Query, Request, Response
from fastapi.responses import RedirectResponse

from api.deliver.links import tickets
from api.deliver.outbox import trial_messages
from api.http.dependencies import ServicesIn, SiteIn
from api.pages import (
    assets,
    fleetstream,
    guest,
    health,
    leaving,
    login,
    outageviews,
    rehearsing,
    settingup,
    sheetpage,
    speech,
    trip,
)
from api.pages.acting import act_now
from api.pages.alarmcards import alarm_cards
from api.pages.comparing import MOST
from api.pages.edit import removing
from api.pages.edit import views as editing
from api.pages.fleetpage import Sought, fleet_page
from api.pages.forscript import device_words, fleet_words, script_words
from api.pages.guard import CallerIn, CheckedIn, PageRoute, PortsIn
from api.pages.historypage import history_csv, history_page
from api.pages.lastlook import LookedIn, keep_look
from api.pages.moments import moment, zone_words
from api.pages.pastends import past_ends
from api.pages.recordpages import alarm_log, channel_page, outage_page, refusal_page
from api.pages.render import page
from api.pages.sitepage import site_now
from api.pages.sizingpage import sizing_page
from api.pages.speech import WordsIn
from api.process.services import Services
from forecaster.alarms.plan import PUSH
from forecaster.domain.errors import NotFound
from forecaster.domain.site import Site
from forecaster.domain.times import HOUR_MS
from forecaster.texts.wording import Wording

router = APIRouter(route_class=PageRoute, include_in_schema=False)
router.include_router(assets.router)
router.include_router(removing.router)
router.include_router(editing.router)
router.include_router(fleetstream.router)
router.include_router(health.router)
router.include_router(leaving.router)
router.include_router(login.router)
router.include_router(outageviews.router)
router.include_router(guest.router)
router.include_router(sheetpage.router)
router.include_router(rehearsing.router)
router.include_router(settingup.router)
router.include_router(speech.router)
router.include_router(trip.router)


Asked = Annotated[str, Query(max_length=200)]
"""The alarm that somebody has just acknowledged from a page."""


def sought(
    q: Annotated[str, Query(max_length=100)] = "",
    show: Annotated[str, Query(max_length=10)] = "all",
    group: Annotated[str, Query(max_length=40)] = "",
    page_number: Annotated[int, Query(alias="page", ge=1, le=10_000)] = 1,
) -> Sought:
    """What of all sites an address asks for."""
    return Sought(q, show, group, page_number)


SoughtIn = Annotated[Sought, Depends(sought)]


@router.get("/")
def fleet(request: Request, ports: PortsIn, words: WordsIn, caller: CallerIn, wanted: SoughtIn) -> Response:
    """All sites, those that need somebody first."""
    context = fleet_page(ports, words, wanted, only=caller.site, operate=caller.operate)
    return page(request, "fleet.html", caller, fleet=context, script_words=fleet_words(words))


@router.get("/fleet/now")
def fleet_living(request: Request, ports: PortsIn, words: WordsIn, caller: CallerIn, wanted: SoughtIn) -> Response:
    """The living part of the list alone, for the script to put in place."""
    context = fleet_page(ports, words, wanted, only=caller.site, operate=caller.operate)
    return page(request, "fleet_live.html", caller, fleet=context)


@router.get("/sites/{site}")
def site(
    request: Request,
    site: SiteIn,
    ports: PortsIn,
    words: WordsIn,
    caller: CallerIn,
    until: Annotated[str, Query(max_length=40)] = "",
    meaning: Annotated[str, Query(alias="as", max_length=10)] = "mains",
    tested: bool = False,
    asked: Asked = "",
) -> Response:
    """One site: the sentence, what to do, the strip, alarms, water and log."""
    at_ms = moment(site, until) if until else None
    looks = Response()
    before_ms = keep_look(request, looks, site.id, ports.clock.now_ms())
    now = site_now(
        ports, site, words, until_ms=at_ms, meaning=meaning, operate=caller.operate, asked=asked, looked_ms=before_ms
    )
    answer = page(
        request,
        "site.html",
        caller,
        site_id=site.id,
        name=site.name,
        now=now,
        script_words=script_words(words, Wording.of(site, words)),
        device_words=device_words(words),
        tested=tested,
    )
    answer.headers.append("set-cookie", looks.headers["set-cookie"])
    return answer


@router.get("/sites/{site}/now")
def site_living(
    request: Request,
    site: SiteIn,
    ports: PortsIn,
    words: WordsIn,
    caller: CallerIn,
    until: Annotated[str, Query(max_length=40)] = "",
    meaning: Annotated[str, Query(alias="as", max_length=10)] = "mains",
    asked: Asked = "",
    looked_ms: LookedIn = None,
) -> Response:
    """The living part of a site's page alone, for the script to put in place."""
    at_ms = moment(site, until) if until else None
    now = site_now(
        ports, site, words, until_ms=at_ms, meaning=meaning, operate=caller.operate, asked=asked, looked_ms=looked_ms
    )
    return page(request, "living.html", caller, now=now)


SpanName = Annotated[str, Query(alias="span", max_length=10)]
DayText = Annotated[str, Query(max_length=10)]


@router.get("/sites/{site}/history")
def history(
    request: Request,
    site: SiteIn,
    ports: PortsIn,
    words: WordsIn,
    caller: CallerIn,
    span: SpanName = "day",
    until: DayText = "",
) -> Response:
    """Draw, charge, cycles, inflow and rain over a span."""
    context = history_page(ports, site, words, name=span, until=until)
    return page(request, "history.html", caller, site_id=site.id, name=site.name, history=context)


@router.get("/sites/{site}/history/{picture}.csv")
def history_as_csv(
    site: SiteIn,
    ports: PortsIn,
    words: WordsIn,
    picture: Annotated[str, Path(pattern="^[a-z]{1,20}$")],
    span: SpanName = "day",
    until: DayText = "",
) -> Response:
    """One picture's values, or every run, as CSV."""
    said = history_csv(ports, site, words, picture, name=span, until=until)
    name = f"{site.id}-{picture}-{span}.csv"
    return Response(
        said, media_type="text/csv; charset=utf-8", headers={"Content-Disposition": f'attachment; filename="{name}"'}
    )


@router.get("/sites/{site}/outages")
def outages(request: Request, site: SiteIn, ports: PortsIn, words: WordsIn, caller: CallerIn) -> Response:
    """Every outage: what was forecast, and what happened."""
    lines = outage_page(ports, site, words)
    zone = zone_words(ports.clock.now_ms(), Wording.of(site, words), words)
    return page(
        request,
        "outages.html",
        caller,
        site_id=site.id,
        name=site.name,
        outages=lines,
        zone=zone,
        ends=past_ends(ports, site, words),
        most=MOST,
    )


@router.get("/sites/{site}/telemetry")
def telemetry(request: Request, site: SiteIn, ports: PortsIn, words: WordsIn, caller: CallerIn) -> Response:
    """The health of every channel, the store, and what was refused."""
    return page(
        request,
        "telemetry.html",
        caller,
        site_id=site.id,
        name=site.name,
        channels=channel_page(ports, site, words),
        refusals=refusal_page(ports, site, words),
        store=words.line(ports.store.health().says),
    )


@router.get("/sites/{site}/alarms")
def alarms(
    request: Request, site: SiteIn, ports: PortsIn, words: WordsIn, caller: CallerIn, asked: Asked = ""
) -> Response:
    """Open alarms with what to do, and past ones."""
    now_ms, forecast = ports.clock.now_ms(), ports.forecast(site.id)
    cards = alarm_cards(ports, site, words, now_ms, operate=caller.operate, forecast=forecast)
    act = act_now(ports, site, forecast, cards, words, now_ms, asked=asked)
    return page(
        request,
        "alarms.html",
        caller,
        site_id=site.id,
        name=site.name,
        act=act if act is not None and act.card is not None else None,
        cards=tuple(card for card in cards if act is None or card is not act.card),
        log=alarm_log(ports, site, words),
        asked=asked,
        script_words=script_words(words, Wording.of(site, words)),
        warnings=ports.reach_warnings(site, words, operate=caller.operate),
    )


AlarmField = Annotated[str, Form(max_length=200, pattern="^[a-z0-9:-]+$")]
BackField = Annotated[str, Form(pattern="^(site|alarms)$")]


@router.post("/sites/{site}/alarms/acknowledge")
def acknowledge(
    site: SiteIn, services: ServicesIn, caller: CheckedIn, alarm: AlarmField, back: BackField = "alarms"
) -> Response:
    """Say that somebody has seen an alarm and acts on it."""
    return ask(services, site, "acknowledge", alarm, {"by": caller.name}, back)


@router.post("/sites/{site}/alarms/shelve")
def shelve(
    site: SiteIn,
    services: ServicesIn,
    caller: CheckedIn,
    alarm: AlarmField,
    hours: Annotated[int, Form(ge=1, le=24)],
    back: BackField = "alarms",
) -> Response:
    """Keep an alarm quiet for some hours; it comes back by itself."""
    until_ms = services.clock.now_ms() + hours * HOUR_MS
    return ask(services, site, "shelve", alarm, {"by": caller.name, "until_ms": until_ms}, back)


def ask(
    services: Services, site: Site, kind: str, alarm_id: str, body: dict[str, object], back: str = "alarms"
) -> Response:
    """Queue what a person asked of the forecaster, wake it, and go back to the page it was asked from."""
    if services.ledger.alarm(alarm_id).site != site.id:
        raise NotFound(f"alarm {alarm_id!r}")
    services.ledger.request(kind, alarm_id, msgspec.json.encode(body).decode(), services.clock.now_ms())
    services.wake()
    tail = f"?asked={alarm_id}#act" if back == "site" else f"/alarms?asked={alarm_id}"
    return RedirectResponse(f"/sites/{site.id}{tail}", status_code=303)


def code_of(services: Services) -> Callable[[str, str], str]:
    """The digits by which a person answers a test message."""
    return tickets(services.installation, services.ledger).code


@router.post("/sites/{site}/push-test")
def push_test(site: SiteIn, services: ServicesIn, _: CheckedIn) -> Response:
    """Send a test message to the browsers that are told of this site."""
    owed = trial_messages(site, services.ledger, frozenset({PUSH}), services.clock.now_ms(), code_of(services))
    services.ledger.commit_transitions([], owed, [])
    services.wake()
    return RedirectResponse(f"/sites/{site.id}?tested=true#device-head", status_code=303)


@router.get("/sizing")
def sizing(request: Request, ports: PortsIn, words: WordsIn, caller: CallerIn) -> Response:
    """Sizing before there is a site."""
    context = sizing_page(ports, None, dict(request.query_params), words)
    return page(request, "sizing.html", caller, sizing=context)


@router.get("/sites/{site}/sizing")
def site_sizing(request: Request, site: SiteIn, ports: PortsIn, words: WordsIn, caller: CallerIn) -> Response:
    """Sizing of a site, starting from its plates and its present rhythm."""
    context = sizing_page(ports, site, dict(request.query_params), words)
    return page(request, "sizing.html", caller, site_id=site.id, name=site.name, sizing=context)
