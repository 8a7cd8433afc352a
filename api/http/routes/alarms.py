"""Alarms: listed here, acknowledged and shelved through the forecaster, which owns their state."""

from __future__ import annotations

from typing import Annotated

import msgspec
from fastapi import APIRouter, Path, Query, Response

from api.http import answers, schemas
from api.http.dependencies import SITE_ID, OperatorIn, PrincipalIn, ServicesIn, SiteIn
from api.http.moments import Before, Since, epoch_ms
from api.http.paging import CursorIn
from api.http.security import Principal, require_site
from api.process.services import Services
from forecaster.domain.alarms import Alarm, AlarmKind, AlarmState, Priority
from forecaster.domain.records import AlarmQuery

router = APIRouter(prefix="/api/v1", tags=["alarms"])

AlarmId = Annotated[str, Path(alias="id", max_length=200, pattern=r"^[a-z0-9:-]+$", description="Alarm id")]


@router.get("/sites/{site}/alarms", response_model=schemas.AlarmsOut)
def alarms(
    site: SiteIn,
    services: ServicesIn,
    who: PrincipalIn,
    state: Annotated[list[AlarmState] | None, Query(description="Only these states; may be repeated.")] = None,
    start: Since = None,
    end: Before = None,
    limit: Annotated[int, Query(ge=1, le=5_000)] = 500,
    cursor: CursorIn = None,
) -> Response:
    """Alarms of a site that last changed in [from, to), in their newest revision, newest change first."""
    asked = AlarmQuery(
        site=site.id, states=tuple(state or ()), start_ms=epoch_ms(start), end_ms=epoch_ms(end), limit=limit,
        cursor=cursor,
    )  # fmt: skip
    page = services.ledger.alarm_page(asked)
    found = [answers.alarm_out(alarm, names=who.may_operate) for alarm in page.alarms]
    return answers.json_response({"site": site.id, "alarms": found, "cursor": page.cursor})


@router.get("/alarms", response_model=schemas.AllAlarmsOut)
def all_alarms(
    who: PrincipalIn,
    services: ServicesIn,
    site: Annotated[str | None, Query(pattern=SITE_ID, description="One site; all if left out.")] = None,
    state: Annotated[list[AlarmState] | None, Query(description="Only these states; may be repeated.")] = None,
    kind: Annotated[list[AlarmKind] | None, Query(description="Only these kinds; may be repeated.")] = None,
    priority: Annotated[list[Priority] | None, Query(description="Only these priorities; may be repeated.")] = None,
    start: Since = None,
    end: Before = None,
    limit: Annotated[int, Query(ge=1, le=5_000)] = 500,
    cursor: CursorIn = None,
) -> Response:
    """Alarms of every site that the asker may see that last changed in [from, to), newest change first."""
    if site is not None:
        require_site(who, site)
        services.site(site)
    asked = AlarmQuery(
        site=site or who.site, states=tuple(state or ()), kinds=tuple(kind or ()), priorities=tuple(priority or ()),
        start_ms=epoch_ms(start), end_ms=epoch_ms(end), limit=limit, cursor=cursor,
    )  # fmt: skip
    page = services.ledger.alarm_page(asked)
    found = [answers.alarm_out(alarm, names=who.may_operate) for alarm in page.alarms]
    return answers.json_response({"alarms": found, "cursor": page.cursor})


def visible_alarm(services: Services, who: Principal, alarm_id: str) -> Alarm:
    """An alarm of a site that the asker may see; NotFound."""
    alarm = services.ledger.alarm(alarm_id)
    require_site(who, alarm.site)
    return alarm


@router.get("/alarms/{id}", response_model=schemas.AlarmToldOut)
def alarm(alarm_id: AlarmId, who: PrincipalIn, services: ServicesIn) -> Response:
    """One alarm, and who was told of it, when, over which channel, with what outcome."""
    found, names = visible_alarm(services, who, alarm_id), who.may_operate
    told = [answers.notice_out(notice, names=names) for notice in services.ledger.notices([alarm_id])]
    return answers.json_response({**answers.alarm_out(found, names=names), "told": told})


def ask(services: Services, kind: str, alarm: Alarm, body: dict[str, object]) -> Response:
    """Queue a request for the forecaster and wake it."""
    number = services.ledger.request(kind, alarm.id, msgspec.json.encode(body).decode(), services.clock.now_ms())
    services.wake()
    return answers.json_response({"request": number}, 202)


@router.post("/alarms/{id}/acknowledge", status_code=202, response_model=schemas.AcceptedOut)
def acknowledge(alarm_id: AlarmId, who: OperatorIn, services: ServicesIn) -> Response:
    """Say that somebody has seen an alarm and acts on it; reminders end."""
    return ask(services, "acknowledge", visible_alarm(services, who, alarm_id), {"by": who.name})


@router.post("/alarms/{id}/shelve", status_code=202, response_model=schemas.AcceptedOut)
def shelve(alarm_id: AlarmId, who: OperatorIn, services: ServicesIn, wish: schemas.ShelveIn) -> Response:
    """Keep an alarm quiet for some minutes; it comes back by itself."""
    until_ms = services.clock.now_ms() + wish.minutes * 60_000
    alarm = visible_alarm(services, who, alarm_id)
    return ask(services, "shelve", alarm, {"by": who.name, "until_ms": until_ms})


@router.post("/alarms/{id}/unshelve", status_code=202, response_model=schemas.AcceptedOut)
def unshelve(alarm_id: AlarmId, who: OperatorIn, services: ServicesIn) -> Response:
    """Bring a shelved alarm back before its time; one that is not shelved stays as it is."""
    return ask(services, "unshelve", visible_alarm(services, who, alarm_id), {"by": who.name})
