"""Whether the program is well: for people, for supervisors, and as OpenMetrics."""

from __future__ import annotations

from fastapi import APIRouter, Response

from api.http import answers, health, metrics, schemas
from api.http.dependencies import PrincipalIn, ServicesIn

router = APIRouter(tags=["health"])


@router.get("/healthz", response_model=schemas.HealthOut)
def healthz(services: ServicesIn) -> Response:
    """Alive, with the age of the oldest undelivered alarm; 503 when something is failing that people rely on."""
    found = health.look(services)
    return answers.json_response(found.out(), 200 if found.ok else 503)


@router.get("/readyz", response_model=schemas.HealthOut)
def readyz(services: ServicesIn) -> Response:
    """Ready to answer: the stores can be read."""
    found = health.look_at_stores(services)
    return answers.json_response(found.out(), 200 if found.ok else 503)


@router.get(
    "/metrics",
    response_class=Response,
    responses={200: {"content": {metrics.MEDIA_TYPE: {"schema": {"type": "string"}}}}},
)
def openmetrics(services: ServicesIn, who: PrincipalIn) -> Response:
    """OpenMetrics 1.0."""
    return Response(metrics.exposition(services, who), media_type=metrics.MEDIA_TYPE)
