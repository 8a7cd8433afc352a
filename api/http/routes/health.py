"""Whether the program is well: for people, for supervisors, and as OpenMetrics."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Header, Request, Response

from api.http import answers, health, metrics, schemas
from api.http.dependencies import PrincipalIn, ServicesIn
from api.http.security import operates_all, sees_all

router = APIRouter(tags=["health"])

NOT_WELL: dict[int | str, dict[str, Any]] = {503: {"model": schemas.HealthOut}}
"""What a probe says where something is wrong has the form of what it says where all is well."""


@router.get("/livez", response_model=schemas.HealthOut, responses=NOT_WELL)
def livez(services: ServicesIn, request: Request) -> Response:
    """Live: the loops turn; 503 where one hangs, and a supervisor should start the process anew."""
    found = health.look_at_loops(services)
    return answers.json_response(found.out(details=sees_all(request)), 503 if found.unlive else 200)


@router.get("/readyz", response_model=schemas.HealthOut, responses=NOT_WELL)
def readyz(services: ServicesIn, request: Request) -> Response:
    """Ready: it can store and forecast."""
    found = health.look_at_work(services, values=operates_all(request))
    return answers.json_response(found.out(details=sees_all(request)), 200 if found.working else 503)


@router.get("/healthz", response_model=schemas.HealthOut, responses=NOT_WELL)
def healthz(services: ServicesIn, request: Request) -> Response:
    """503 only where it is not live or not ready; otherwise 200, with what is degraded for those who may see it."""
    found = health.look(services, values=operates_all(request))
    return answers.json_response(found.out(details=sees_all(request)), 200 if found.working else 503)


@router.get(
    "/metrics",
    response_class=Response,
    responses={
        200: {"content": {kind: {"schema": {"type": "string"}} for kind in (metrics.MEDIA_TYPE, metrics.TEXT_TYPE)}}
    },
)
def openmetrics(
    services: ServicesIn,
    who: PrincipalIn,
    request: Request,
    accept: Annotated[str | None, Header(include_in_schema=False)] = None,
) -> Response:
    """OpenMetrics 1.0, or Prometheus' text format where `Accept` takes only text/plain."""
    body, media_type = metrics.answered(services, who, accept, of_sites=request.app.state.of_sites)
    return Response(body, media_type=media_type)
