"""Work done on a house over HTTP: told, and listed."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query, Response
from pydantic import BaseModel, ConfigDict, Field

from api.http import answers
from api.http.dependencies import OperatorIn, ServicesIn, SiteIn
from api.http.moments import Before, Moment, Since
from api.http.paging import CursorIn, CursorOut, page, within
from api.http.shapes import Shape, Time
from forecaster.domain.longrecord import HousePart, WorkKind
from forecaster.live.working import LONGEST, tell_work, work_document

router = APIRouter(prefix="/api/v1", tags=["long record"])


class WorkIn(BaseModel):
    """Work done: when (now if left out), what, and for other work which part it concerned."""

    model_config = ConfigDict(extra="forbid")

    kind: WorkKind
    at: Moment | None = None
    part: HousePart | None = Field(None, description="For other work alone; the other kinds say it.")
    did: Annotated[str, Field(max_length=LONGEST, description="In the words of whoever tells.")] = ""
    pump: Annotated[str, Field(max_length=64, description="Which of two pumps; left out: the first.")] = ""


class WorkOut(Shape):
    """Work done, and the part that it is foremost about."""

    id: str
    at: Time
    kind: WorkKind
    part: HousePart | None
    pump: str | None = None
    did: str
    by: str
    noted: Time


class AllWorkOut(Shape):
    """Work done at a site, newest first."""

    site: str
    work: list[WorkOut]
    cursor: CursorOut


@router.get("/sites/{site}/work", response_model=AllWorkOut)
def work_done(
    site: SiteIn,
    services: ServicesIn,
    start: Since = None,
    end: Before = None,
    limit: Annotated[int, Query(ge=1, le=1_000)] = 200,
    cursor: CursorIn = None,
) -> Response:
    """Work done at a site in [from, to), newest first; kept for ever."""
    asked = within(services.ledger.work(site.id), lambda work: work.at_ms, start, end)
    shown, more = page(asked, lambda work: work.id, limit, cursor)
    return answers.json_response({"site": site.id, "work": [work_document(w) for w in shown], "cursor": more})


@router.post("/sites/{site}/work", status_code=201, response_model=WorkOut)
def add_work(site: SiteIn, who: OperatorIn, services: ServicesIn, work: WorkIn) -> Response:
    """Tell of work done; the baselines of what it concerns start anew from its time."""
    at_ms = None if work.at is None else int(work.at.timestamp() * 1000)
    told = tell_work(
        services.ledger, site, who.name, services.clock.now_ms(), work.kind, at_ms, work.part, work.did, work.pump
    )  # fmt: skip
    return answers.json_response(work_document(told), 201)
