"""Before you leave: the live check of a site's whole chain."""

from __future__ import annotations

from fastapi import APIRouter, Response

from api.http import answers, schemas
from api.http.dependencies import PrincipalIn, ServicesIn, SiteIn
from api.offline.readiness import readiness_of, readiness_out
from forecaster.texts.catalogue import words

router = APIRouter(prefix="/api/v1", tags=["sites"])


@router.get("/sites/{site}/ready", response_model=schemas.ReadyOut)
def ready(site: SiteIn, who: PrincipalIn, services: ServicesIn) -> Response:
    """Each link of the chain, held or not, with what to do; names of people go to those who may operate."""
    say = words(services.installation.words.language)
    now_ms = services.clock.now_ms()
    found = readiness_of(services.installation, services.ledger, services.store, site, say, now_ms)
    return answers.json_response(readiness_out(found, names=who.may_operate))
