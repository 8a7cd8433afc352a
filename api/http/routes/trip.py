"""The answer before a trip, over HTTP."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query, Response
from pydantic import Field

from api.http import answers
from api.http.dependencies import ServicesIn, SiteIn
from api.http.moments import Moment
from api.http.shapes import Shape, Time
from forecaster.trip.answering import answer_trip

router = APIRouter(prefix="/api/v1", tags=["long record"])

Away = Annotated[
    list[Annotated[str, Field(max_length=200)]] | None,
    Query(max_length=50, description="Contacts who are on the trip; left out: the first one of the site file."),
]


class ChanceOut(Shape):
    """A chance, 0..1: 10, 50 and 90 % points of what is believed of it, and their mean, which a bet would go by."""

    p10: float
    p50: float
    p90: float
    mean: float


class CauseOut(Shape):
    """A cause of wet floors and its share of them: outage, pump, inflow, pack or unheard."""

    cause: str
    share: float


class TripHelpOut(Shape):
    """What could be done, its key, and the chance worked out again with it done."""

    what: str
    kind: str
    chance_wet_floor: ChanceOut


class TripOut(Shape):
    """The chance of a wet floor between leaving and being back; shares add to 1, the best help comes first."""

    site: str
    leave: Time
    back: Time
    chance_wet_floor: ChanceOut
    says: str
    causes: list[CauseOut]
    helps: list[TripHelpOut]
    rests_on: list[str]
    cautions: list[str]


@router.get("/sites/{site}/trip", response_model=TripOut)
def trip(site: SiteIn, services: ServicesIn, leave: Moment, back: Moment, away: Away = None) -> Response:
    """The chance of a wet floor over a trip, by cause, with what helps most and what the answer rests on."""
    leave_ms, back_ms = (round(moment.timestamp() * 1000) for moment in (leave, back))
    found = answer_trip(site, services.ledger, services.clock.now_ms(), leave_ms, back_ms, away)
    return answers.json_response(found.document())
