"""Why the end of a site's forecast moved."""

from __future__ import annotations

from typing import Annotated

import msgspec
from fastapi import APIRouter, Query, Response

from api.http import answers, schemas
from api.http.dependencies import ServicesIn, SiteIn
from api.http.moments import Moment
from api.http.shifts import shift_since
from forecaster.domain.errors import NotFound
from forecaster.engine.document import from_document, time_text
from forecaster.texts.catalogue import Said

router = APIRouter(prefix="/api/v1", tags=["sites"])


@router.get("/sites/{site}/changes", response_model=schemas.ChangesOut)
def changes(
    site: SiteIn, services: ServicesIn, since: Annotated[Moment, Query(description="Since when, RFC 3339.")]
) -> Response:
    """How far the end has moved since a moment, against what was foreseen then for now, and what moved it.

    Hours, later is positive: `inflow_h`, `charge_h` and `loads_h` add up to `middle_h`, and with `doubt_h` to
    `early_h`. 404 where no forecast of that moment is kept, or the two cannot be compared.
    """
    stored = services.ledger.newest([site.id]).get(site.id)
    forecast = None if stored is None else from_document(msgspec.json.decode(stored.document))
    since_ms = round(since.timestamp() * 1000)
    shift = None if forecast is None else shift_since(services.ledger, site, forecast, since_ms)
    if shift is None:
        raise NotFound(Said("usage.forecast_that_compares", at=time_text(since_ms)))
    return answers.json_response(answers.shift_out(site.id, shift))
