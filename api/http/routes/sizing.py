"""Sizing over HTTP: the same document as `outlast size --json`."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from fastapi import APIRouter, Response
from pydantic import BaseModel, ConfigDict, Field

from api.http import answers
from api.http.dependencies import PrincipalIn, ServicesIn
from api.http.schemas import QuantilesOut
from api.http.security import Principal, require_site
from api.http.shapes import Shape
from api.offline.sizing_inputs import observed_start, pack_from, record, site_of, sleeps
from api.process.services import Services
from forecaster.domain.site import Load, Site
from forecaster.sizing.answer import document, size
from forecaster.sizing.cord import Cord
from forecaster.sizing.options import Change
from forecaster.sizing.pipe import Pipe
from forecaster.sizing.question import ObservedStart, Question

router = APIRouter(prefix="/api/v1", tags=["sizing"])


class Asked(BaseModel):
    """Base of the parts of a question: unknown keys and values that are not finite are refused."""

    model_config = ConfigDict(extra="forbid", allow_inf_nan=False)


class CordIn(Asked):
    """An extension cord."""

    awg: int
    length_m: float = Field(description="One way.")


class PipeIn(Asked):
    """A discharge pipe."""

    bore_m: float
    length_m: float
    hazen_williams_c: float = 150.0


class LoadIn(Asked):
    """Another load, steady or cycling."""

    name: str = Field(min_length=1, max_length=100)
    watts: float
    runs_per_hour: float | None = None
    run_s: float | None = None
    start_va: float | None = None


class SizingIn(Asked):
    """A question. `site` is the id of a site of this installation, or the content of a site file as an object."""

    site: str | dict[str, Any]
    cycles_per_hour: float | None = None
    run_s: float | None = None
    running_w: float | None = None
    charge_percent: float = 100.0
    cord: CordIn | None = None
    pipe: PipeIn | None = None
    temperature_c: float | None = None
    end_of_life: bool = False
    started: bool | None = Field(None, description="Whether the pump was seen to start on this pack.")
    pump: bool = Field(True, description="False: the other loads alone.")
    loads: list[LoadIn] = Field([], max_length=100)
    packs: dict[str, dict[str, Any]] = Field({}, max_length=20, description="[pack] tables to set beside, by name.")
    for_hours: float | None = None
    probability: float = 0.9
    extra_wh: float | None = None
    idle_w: float | None = None
    sun_w: float | None = None
    sky: float = Field(0.25, ge=0, le=1)
    generator_h: float | None = None


class StepOut(Shape):
    """One line of the arithmetic."""

    name: str
    formula: str
    value: float | None
    unit: str


class HelpOut(Shape):
    """What would help, and the hours that 95 of 100 futures then reach."""

    what: str
    hours_95: float | None
    gained_h: float | None
    wh: float | None


class SizingOut(Shape):
    """Whether the pack runs and starts the pump, for how long, and by which arithmetic."""

    site: str
    verdict: str
    can_run: str = Field(description="yes, no or unproven")
    can_start: str = Field(description="yes, no or unproven")
    can_keep_up: str = Field(description="yes, no or unproven: the pump's rate at its head against the water")
    why: dict[str, str]
    settle: dict[str, str | None]
    simple_estimate_h: float | None
    hours_remaining: QuantilesOut
    steps: list[StepOut]
    helps: list[HelpOut]
    cautions: list[str]


@router.post("/sizing", response_model=SizingOut)
def sizing(wish: SizingIn, who: PrincipalIn, services: ServicesIn) -> Response:
    """Will this pack start and carry this pump, and for how long?"""
    site = _site(wish, who, services)
    site = replace(site, loads=(*site.loads, *(Load(**load.model_dump()) for load in wish.loads)))
    question = Question(
        cycles_per_hour=wish.cycles_per_hour,
        run_s=wish.run_s,
        running_w=wish.running_w,
        charge_percent=wish.charge_percent,
        cord=None if wish.cord is None else Cord(**wish.cord.model_dump()),
        pipe=None if wish.pipe is None else Pipe(**wish.pipe.model_dump()),
        temperature_c=wish.temperature_c,
        end_of_life=wish.end_of_life,
        observed_start=None if wish.started is None else ObservedStart(wish.started),
        for_hours=wish.for_hours,
        probability=wish.probability,
        pump=wish.pump,
    )
    if isinstance(wish.site, str):
        question = with_history(question, services, site)
    now_ms = services.clock.now_ms()
    change = Change(wish.extra_wh, wish.idle_w, wish.sun_w, wish.sky, wish.generator_h, start_ms=now_ms)
    packs = [(name, pack_from(table, f"packs.{name}")) for name, table in wish.packs.items()]
    return answers.json_response(document(size(site, question, change, packs)))


def with_history(question: Question, services: Services, site: Site) -> Question:
    """The question completed with what this installation has recorded: inflow, starts and sleeps on the pack."""
    return replace(
        question,
        record=record(services.ledger, site, services.clock.now_ms()),
        observed_start=question.observed_start or observed_start(services.ledger, site.id),
        sleeps_on_low_load=sleeps(services.ledger, site.id),
    )


def _site(wish: SizingIn, who: Principal, services: Services) -> Site:
    if isinstance(wish.site, str):
        require_site(who, wish.site)
        return services.site(wish.site)
    return site_of(wish.site, "request", pump=wish.pump)
