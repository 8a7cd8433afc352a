"""The newest forecast of a site against one that was kept: how far the end moved, and why."""

from __future__ import annotations

import msgspec

from forecaster.domain.forecast import Forecast
from forecaster.domain.ports import Ledger
from forecaster.domain.site import Site
from forecaster.domain.times import MINUTE_MS
from forecaster.engine.changes import EndShift, end_shift
from forecaster.engine.document import from_document

AROUND_MS = 20 * MINUTE_MS
"""How far from the moment asked for a kept forecast may lie: on mains one is kept every ten minutes."""


def shift_since(ledger: Ledger, site: Site, forecast: Forecast, since_ms: int) -> EndShift | None:
    """How far the end has moved since a moment; None where no forecast of it is kept, or the two do not compare."""
    then = kept_at(ledger, site.id, since_ms)
    if then is None or then.issued_at_ms >= forecast.issued_at_ms:
        return None
    return end_shift(then, forecast, site.pack.reserve_percent)


def kept_at(ledger: Ledger, site_id: str, at_ms: int) -> Forecast | None:
    """The kept forecast nearest to a moment; None where none lies near it."""
    kept = ledger.forecasts(site_id, at_ms - AROUND_MS, at_ms + AROUND_MS, 100)
    nearest = min(kept, key=lambda stored: abs(stored.issued_ms - at_ms), default=None)
    return None if nearest is None else from_document(msgspec.json.decode(nearest.document))
