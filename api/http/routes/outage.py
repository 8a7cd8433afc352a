"""One outage as a story, over HTTP."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Path, Response
from pydantic import Field

from api.http import answers
from api.http.dependencies import PrincipalIn, ServicesIn, SiteIn
from api.http.outage_answers import story_out
from api.http.schemas import AlarmToldOut, OutageOut
from api.http.shapes import Number, Shape, Time
from forecaster.domain.alarms import AlarmKind, Priority, TransitionKind
from forecaster.outage.story import outage_of, story_of

router = APIRouter(prefix="/api/v1", tags=["sites"])

OutageId = Annotated[
    str,
    Path(alias="outage", pattern=r"^([0-9]{1,15}|latest)$", description="`id` of an outage, or latest."),
]


class AlarmChangeOut(Shape):
    """Something that happened to an alarm."""

    at: Time
    alarm: str
    kind: AlarmKind
    change: TransitionKind
    priority: Priority
    headline: str


class LeftHoursOut(Shape):
    """10, 50 and 90 % points of the hours to the reserve floor; null beyond the horizon, or not known."""

    p10: Number
    p50: Number
    p90: Number


class ForeseenOut(Shape):
    """What was foreseen at a moment of the outage."""

    at: Time
    hours_remaining: LeftHoursOut


class OutageEnergyOut(Shape):
    """Energy through the outage, Wh; null where it was not measured."""

    out_wh: Number = Field(description="Out of the pack's outlet.")
    pump_wh: Number = Field(description="Of the pump alone, over its runs.")
    in_wh: Number = Field(description="Into the pack.")


class OutageWaterOut(Shape):
    """Water through the outage, by the runs of the pump; null where it is not known."""

    runs: int
    run_s: float
    inflow_l: Number
    peak_l_per_min: Number
    known_share: float = Field(description="Share of the outage for which the inflow is known, 0..1.")
    rain_mm: Number


class GapOut(Shape):
    """A span in which a channel was not heard."""

    start: Time = Field(alias="from")
    end: Time = Field(alias="to")


class ChannelHeardOut(Shape):
    """How completely a channel was heard. `heard_share` is null where it speaks only now and then, and did not."""

    quantity: str
    subject: str
    unit: str
    readings: int
    heard_share: Number
    gaps: list[GapOut]


class OutageStoryOut(Shape):
    """An outage as a story; `until` is its end, or now while it lasts."""

    site: str
    name: str
    timezone: str
    outage: OutageOut
    until: Time
    lasted_h: float
    alarms: list[AlarmToldOut] = Field(description="In the order in which they were raised, with who was told.")
    changes: list[AlarmChangeOut] = Field(description="Of those alarms, up to two hours after the end, oldest first.")
    foreseen: list[ForeseenOut]
    energy: OutageEnergyOut
    water: OutageWaterOut
    channels: list[ChannelHeardOut]


@router.get("/sites/{site}/outages/{outage}", response_model=OutageStoryOut)
def outage_story(site: SiteIn, who: PrincipalIn, services: ServicesIn, outage: OutageId) -> Response:
    """An outage told whole: alarms, who was told, forecasts, energy, water, and how completely it was heard."""
    found = outage_of(services.ledger, site.id, outage)
    story = story_of(services.store, services.ledger, site, found, services.clock.now_ms())
    return answers.json_response(story_out(story, names=who.may_operate))
