"""Discharge tests over HTTP: listed with the progress of one that runs, started, finished."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from fastapi import APIRouter, Path, Query, Response
from pydantic import BaseModel, ConfigDict, Field

from api.http import answers
from api.http.dependencies import OperatorIn, PrincipalIn, ServicesIn, SiteIn
from api.http.moments import Before, Moment, Since
from api.http.paging import CursorIn, CursorOut, page, within
from api.http.rehearsal_answers import rehearsal_out
from api.http.schemas import AcceptedOut
from api.http.shapes import Shape, Time
from api.process.services import Services
from forecaster.discharge import due_after_ms, progress
from forecaster.discharge.years import compared
from forecaster.domain.discharge import DischargeTest
from forecaster.domain.site import Site
from forecaster.engine.document import time_text
from forecaster.live.rehearsals import ask_finish, evidence_of, say_pulled, start_test

router = APIRouter(prefix="/api/v1", tags=["discharge tests"])

TestId = Annotated[str, Path(alias="id", max_length=200, pattern=r"^[a-z0-9:-]+$", description="Test id")]


class DischargePlanIn(BaseModel):
    """When the test ends by itself; left out: at the reserve floor, by hand, or when the mains come back."""

    model_config = ConfigDict(extra="forbid", allow_inf_nan=False)

    until_percent: float | None = Field(None, description="Finish at this charge; never below the reserve floor.")
    until: Moment | None = Field(None, description="Finish at this time.")


class DischargeTestOut(Shape):
    """One discharge test."""

    id: str
    site: str
    state: Literal["waiting", "running", "finished"]
    started: Time
    started_by: str | None
    pulled: Time | None = None
    until_percent: float | None
    until: Time | None
    finished: Time | None
    end: str | None
    progress: dict[str, Any] | None
    result: dict[str, Any] | None


class CapacityTestOut(Shape):
    """The capacity at one test, by all tests of the pack together."""

    at: Time
    capacity_wh: dict[str, float | None]


class OverYearsOut(Shape):
    """Tests of the present pack compared: its capacity at each, its fade a year as a share of the first, and when it
    falls below what is needed. `fading` is null where that cannot be told; `says` has the reason.
    """

    tests: list[CapacityTestOut]
    fading: bool | None
    fade_a_year: dict[str, float | None] | None
    needed_wh: float
    below_needed: dict[str, Time | None] | None
    says: str


class DischargeTestsOut(Shape):
    """Tests of a site, newest first, when the next one is due, and the tests compared over the years."""

    site: str
    due: Time | None
    tests: list[DischargeTestOut]
    cursor: CursorOut
    over_years: OverYearsOut | None = None


def out(services: Services, site: Site, test: DischargeTest, *, names: bool = True) -> dict[str, Any]:
    """A test with its progress, where it runs; who started it only where names may be told."""
    if test.finished_ms is not None:
        return rehearsal_out(test, None, names=names)
    now_ms = services.clock.now_ms()
    evidence = evidence_of(services.store, services.ledger, site, test, now_ms)
    return rehearsal_out(test, progress(test, evidence, now_ms), names=names)


@router.get("/sites/{site}/discharge-tests", response_model=DischargeTestsOut)
def discharge_tests(
    site: SiteIn, who: PrincipalIn, services: ServicesIn, start: Since = None, end: Before = None,
    limit: Annotated[int, Query(ge=1, le=1_000)] = 200, cursor: CursorIn = None,
) -> Response:  # fmt: skip
    """Discharge tests begun in [from, to), newest first; kept for ever. Who began one is told to those who operate."""
    tests = services.ledger.tests(site.id)
    due_ms = due_after_ms(site, tests)
    due = None if due_ms is None else time_text(due_ms)
    asked = within(tests, lambda test: test.started_ms, start, end)
    shown, more = page(asked, lambda test: test.id, limit, cursor)
    told = [out(services, site, test, names=who.may_operate) for test in shown]
    years = compared(site, tests, services.ledger.work(site.id), services.clock.now_ms())
    over_years = None if years is None else years.document()
    return answers.json_response({"site": site.id, "due": due, "tests": told, "cursor": more, "over_years": over_years})


@router.post("/sites/{site}/discharge-tests", status_code=201, response_model=DischargeTestOut)
def plan_test(site: SiteIn, who: OperatorIn, services: ServicesIn, plan: DischargePlanIn) -> Response:
    """Plan a discharge test. It mutes nothing until `…/pull`; 409 on the pack or with an outage alarm open."""
    until_ms = None if plan.until is None else int(plan.until.timestamp() * 1000)
    now_ms = services.clock.now_ms()
    test = start_test(services.ledger, site, who.name, now_ms, plan.until_percent, until_ms)
    services.wake()
    return answers.json_response(out(services, site, test), 201)


@router.post("/sites/{site}/discharge-tests/{id}/pull", response_model=DischargeTestOut)
def pull(site: SiteIn, test_id: TestId, _who: OperatorIn, services: ServicesIn) -> Response:
    """Say "I am pulling the plug now": a change to the pack within ten minutes is the test's, and no mains failure."""
    test = say_pulled(services.ledger, site, test_id, services.clock.now_ms())
    services.wake()
    return answers.json_response(out(services, site, test))


@router.post("/sites/{site}/discharge-tests/{id}/finish", status_code=202, response_model=AcceptedOut)
def finish_test(site: SiteIn, test_id: TestId, who: OperatorIn, services: ServicesIn) -> Response:
    """Finish a running test by hand; its result follows within seconds."""
    number = ask_finish(services.ledger, site.id, test_id, services.clock.now_ms())
    services.wake()
    return answers.json_response({"request": number, "by": who.name}, 202)
