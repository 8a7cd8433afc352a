"""The long record over HTTP: a site's report, and its tables as files. Both are made in a child process."""

from __future__ import annotations

from importlib.util import find_spec
from typing import Annotated, Any

from fastapi import APIRouter, Query
from fastapi.responses import StreamingResponse
from pydantic import Field

from api.http.children import child_answer
from api.http.dependencies import ServicesIn, SiteIn
from api.http.moments import Moment
from api.http.routes.sites import span
from api.http.schemas import OutageOut
from api.http.shapes import Shape, Time
from api.process.services import Services
from forecaster.domain.errors import UsageError
from forecaster.domain.longrecord import ExportFormat, RecordTable
from forecaster.domain.times import DAY_MS
from forecaster.engine.document import time_text
from forecaster.texts.catalogue import Said

router = APIRouter(prefix="/api/v1", tags=["long record"])

MEDIA_TYPES = {
    ExportFormat.CSV: "text/csv; charset=utf-8",
    ExportFormat.JSONL: "application/jsonl",
    ExportFormat.PARQUET: "application/vnd.apache.parquet",
}
"""text/csv is RFC 4180's; Parquet's is registered with IANA; JSON Lines has no registered one."""

FILES: dict[int | str, dict[str, Any]] = {
    200: {"content": {kind.partition(";")[0]: {"schema": {"type": "string"}} for kind in MEDIA_TYPES.values()}}
}


class ReportOut(Shape):
    """What happened at a site in [from, to), as `outlast report --json` prints it; without names of people."""

    site: str
    start: Time = Field(alias="from")
    end: Time = Field(alias="to")
    outages: list[OutageOut]
    discharge_tests: list[dict[str, Any]]
    test_due: Time | None
    pump: dict[str, Any]
    forecast_accuracy: dict[str, Any]


Until = Annotated[Moment | None, Query(alias="to", description="RFC 3339; now if left out.")]
YearBefore = Annotated[Moment | None, Query(alias="from", description="RFC 3339; a year before `to` if left out.")]
MonthBefore = Annotated[Moment | None, Query(alias="from", description="RFC 3339; 30 days before `to` if left out.")]


@router.get("/sites/{site}/report", response_model=ReportOut)
async def report(site: SiteIn, services: ServicesIn, start: YearBefore = None, end: Until = None) -> StreamingResponse:
    """Outages, rehearsals, the pump, and how good the forecasts were, in [from, to)."""
    asked = ["report", site.id, "--json", *_of(services, start, end, 365 * DAY_MS)]
    return await child_answer(asked, "application/json")


@router.get("/sites/{site}/export", response_class=StreamingResponse, responses=FILES)
async def export(
    site: SiteIn,
    services: ServicesIn,
    what: Annotated[RecordTable, Query(description="Which table.")] = RecordTable.DAYS,
    start: MonthBefore = None,
    end: Until = None,
    form: Annotated[ExportFormat, Query(alias="format", description="How it is written.")] = ExportFormat.CSV,
) -> StreamingResponse:
    """A table of the long record in [from, to) as a file: times in UTC, units in the names of the columns.

    It is written as it is read. Where the record fails on the way, the answer breaks off: it has no last chunk.
    """
    if form is ExportFormat.PARQUET and find_spec("pyarrow") is None:
        raise UsageError(Said("usage.no_pyarrow_here"), Said("usage.ask_for_csv_or_jsonl"))
    asked = ["export", site.id, "--what", what.value, "--format", form.value]
    asked += _of(services, start, end, 30 * DAY_MS)
    return await child_answer(asked, MEDIA_TYPES[form], f"{site.id}-{what.value}.{form.value}")


def _of(services: Services, start: Moment | None, end: Moment | None, default_ms: int) -> list[str]:
    """The command-line options for the installation and the span."""
    start_ms, stop_ms = span(start, end, services.clock.now_ms(), default_ms)
    folder = str(services.installation.folder)
    return ["--config", folder, "--from", time_text(start_ms), "--to", time_text(stop_ms)]
