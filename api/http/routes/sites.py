"""Sites, their forecasts, cycles, readings and outages."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, Literal

from fastapi import APIRouter, Query, Response

from api.http import answers, schemas
from api.http.dependencies import PrincipalIn, ServicesIn, SiteIn
from api.http.moments import Before, Moment, Since, epoch_ms
from api.http.paging import CursorIn
from api.http.security import Principal
from api.process.services import Services
from collector.store.ledger_base import cursor_ms
from forecaster.domain.alarms import STANDING, Alarm
from forecaster.domain.errors import NotFound, UsageError
from forecaster.domain.quantities import SPECS, Quantity
from forecaster.domain.times import DAY_MS
from forecaster.engine.document import from_document, until_document
from forecaster.outage.runs import named_pump
from forecaster.outage.story import outages_told
from forecaster.texts.catalogue import Said

router = APIRouter(prefix="/api/v1", tags=["sites"])

FEW = 100
"""Up to so many sites are asked for by name; beyond it everything is read, and the others are left out."""

From = Annotated[Moment | None, Query(alias="from", description="RFC 3339; a day before `to` if left out.")]
To = Annotated[Moment | None, Query(alias="to", description="RFC 3339; now if left out.")]


def span(start: Moment | None, end: Moment | None, now_ms: int, default_ms: int) -> tuple[int, int]:
    """[from, to) in UTC milliseconds; UsageError where it is empty."""
    stop_ms = now_ms + 1 if end is None else int(end.timestamp() * 1000)
    start_ms = stop_ms - default_ms if start is None else int(start.timestamp() * 1000)
    if start_ms >= stop_ms:
        raise UsageError(Said("usage.from_is_not_before_to"), Said("usage.ask_for_a_span_that_has"))
    return start_ms, stop_ms


@router.get("/sites", response_model=schemas.SitesOut)
def sites(
    who: PrincipalIn,
    services: ServicesIn,
    limit: Annotated[int | None, Query(ge=1, le=1_000, description="Sites a page; all of them if left out.")] = None,
    offset: Annotated[int, Query(ge=0, le=1_000_000, description="Sites to pass over.")] = 0,
    order: Annotated[Literal["soonest", "id"], Query(description="Soonest out first, or by id.")] = "soonest",
    cursor: Annotated[CursorIn, Query(description="With `order=id`: of the page before.")] = None,
) -> Response:
    """All sites, soonest out first; with `limit` a page of them, and how many there are in all.

    With each forecast the first order changes, and pages of it may miss a site; pages by id, which begin after
    `cursor`, have each site once.
    """
    known = services.installation.sites
    seen = [site for site in known if who.may_read(site)]
    ranked = services.ranking.order(seen) if order == "soonest" else sorted(seen)
    left = [site for site in ranked if cursor is None or order == "soonest" or site > cursor]
    shown = left[offset:] if limit is None else left[offset : offset + limit]
    more = shown[-1] if order == "id" and shown and shown[-1] != left[-1] else None
    newest = services.ledger.newest(shown if len(shown) <= FEW else None, brief=True)
    standing = _standing(services, who, shown)
    lines = [
        answers.summary_out(known[site], answers.forecast_document(newest.get(site)), standing.get(site, []))
        for site in shown
    ]
    return answers.json_response({"sites": lines, "count": len(ranked), "cursor": more})


def _standing(services: Services, who: Principal, sites: Sequence[str]) -> dict[str, list[Alarm]]:
    """The standing alarms of some sites."""
    if len(sites) <= FEW:
        return services.ledger.alarms_of(sites, STANDING)
    found: dict[str, list[Alarm]] = {}
    for alarm in services.ledger.alarms(who.site, STANDING, limit=100_000):
        found.setdefault(alarm.site, []).append(alarm)
    return found


@router.get("/sites/{site}", response_model=schemas.SiteOut)
def one_site(site: SiteIn, services: ServicesIn) -> Response:
    """One site as described, with the latest value of each channel and the newest forecast."""
    document = answers.forecast_document(services.ledger.newest([site.id]).get(site.id))
    latest = services.store.latest(site.id)
    return answers.json_response(answers.site_out(site, latest, document, services.clock.now_ms()))


@router.get("/sites/{site}/forecast", response_model=schemas.ForecastOut)
def forecast(
    site: SiteIn,
    services: ServicesIn,
    until: Annotated[Moment | None, Query(description="Adds the chance that the pack lasts until then.")] = None,
) -> Response:
    """The newest forecast."""
    stored = services.ledger.newest([site.id]).get(site.id)
    if stored is None:
        raise NotFound(Said("usage.forecast_of_site_yet", site=site.id))
    if until is None:
        return Response(stored.document, media_type="application/json")
    at_ms = int(until.timestamp() * 1000)
    document = answers.forecast_document(stored)
    assert document is not None
    document["until"] = until_document(from_document(document), at_ms)
    return answers.json_response(document)


@router.get("/sites/{site}/forecasts", response_model=schemas.ForecastsOut)
def forecasts(
    site: SiteIn,
    services: ServicesIn,
    start: From = None,
    end: To = None,
    limit: Annotated[int, Query(ge=1, le=10_000)] = 2_000,
    cursor: CursorIn = None,
) -> Response:
    """Past forecasts in [from, to), oldest first; without their survival and drain path."""
    start_ms, stop_ms = span(start, end, services.clock.now_ms(), DAY_MS)
    if cursor is not None:
        start_ms = max(start_ms, cursor_ms(cursor, cursor) + 1)
    found = services.ledger.forecasts(site.id, start_ms, stop_ms, limit + 1)
    documents = [{**(answers.forecast_document(f) or {}), "survival": [], "drain_path": []} for f in found[:limit]]
    more = str(found[limit - 1].issued_ms) if len(found) > limit else None
    return answers.json_response({"site": site.id, "forecasts": documents, "cursor": more})


@router.get("/sites/{site}/cycles", response_model=schemas.CyclesOut)
def cycles(
    site: SiteIn,
    services: ServicesIn,
    start: From = None,
    end: To = None,
    limit: Annotated[int, Query(ge=1, le=5_000)] = 200,
    cursor: CursorIn = None,
    pump: Annotated[str, Query(max_length=64, description="Which of two pumps; left out: the first.")] = "",
) -> Response:
    """Runs of a pump that start in [from, to), newest first."""
    start_ms, stop_ms = span(start, end, services.clock.now_ms(), 30 * DAY_MS)
    page = services.ledger.runs(site.id, start_ms, stop_ms, limit, cursor, named_pump(site, pump))
    body = {"site": site.id, "cycles": [answers.run_out(run) for run in page.runs], "cursor": page.cursor}
    return answers.json_response(body)


@router.get("/sites/{site}/readings", response_model=schemas.ReadingsOut)
def readings(
    site: SiteIn,
    services: ServicesIn,
    quantity: Quantity,
    start: From = None,
    end: To = None,
    points: Annotated[int, Query(ge=1, le=10_000)] = 500,
    subject: Annotated[str, Query(max_length=100, description="For load_power: the load.")] = "",
) -> Response:
    """A measured series in [from, to), down-sampled to at most `points` buckets that keep the extremes."""
    start_ms, stop_ms = span(start, end, services.clock.now_ms(), DAY_MS)
    series = services.store.series(site.id, quantity, start_ms, stop_ms, points, subject)
    body = {
        "site": site.id,
        "quantity": quantity.value,
        "subject": subject,
        "unit": SPECS[quantity].unit,
        "points": [answers.point_out(point) for point in series],
    }
    return answers.json_response(body)


@router.get("/sites/{site}/outages", response_model=schemas.OutagesOut)
def outages(
    site: SiteIn,
    services: ServicesIn,
    start: Since = None,
    end: Before = None,
    limit: Annotated[int, Query(ge=1, le=2_000)] = 200,
    cursor: CursorIn = None,
) -> Response:
    """Spans on the pack that begin in [from, to), newest first; one that lasts as it is so far."""
    stop_ms = 2**53 if end is None else int(end.timestamp() * 1000)
    if cursor is not None:
        stop_ms = min(stop_ms, cursor_ms(cursor, cursor))
    now_ms = services.clock.now_ms()
    found = outages_told(services.store, services.ledger, site, now_ms, limit + 1, epoch_ms(start) or 0, stop_ms)
    shown = [answers.outage_out(outage) for outage in found[:limit]]
    more = str(found[limit - 1].start_ms) if len(found) > limit else None
    return answers.json_response({"site": site.id, "outages": shown, "cursor": more})
