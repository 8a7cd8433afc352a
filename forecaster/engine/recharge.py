"""The pack on mains: the charge from which it would start, and when it will be full again."""

from __future__ import annotations

import numpy as np

from forecaster.domain.quantities import Quantity
from forecaster.domain.site import Site
from forecaster.domain.times import HOUR_MS
from forecaster.engine.fold import Fold
from forecaster.pack.draws import PackDraws

USUAL_CHARGE_HOURS = 5.0
"""Hours from empty to full from the mains where nothing tells the charging power (common practice, no source)."""

CHARGE_EFFICIENCY = 0.88
"""Into the battery over taken from the mains (common practice, no source)."""

_TAPER_PERCENT = 99.5


def charge_now(site: Site, fold: Fold, at_ms: int, *, on_pack: bool) -> float | None:
    """The charge [%]: as reported; else on mains what the last discharge left plus what the mains has put back since.

    None where it is not known: on mains the pack is then taken as full, on the pack it is counted down.
    """
    if fold.accounts.percent is not None:
        return fold.accounts.percent
    if on_pack or fold.left_percent is None or fold.left_ms is None:
        return None
    since_h = max(at_ms - fold.left_ms, 0) / HOUR_MS
    return min(100.0, fold.left_percent + since_h * charging_percent_per_h(site, fold))


def charging_percent_per_h(site: Site, fold: Fold) -> float:
    """How fast the mains fill the pack [%/h]: from measured input, else the site file, else a usual time."""
    nominal = site.pack.nominal_wh
    stream = fold.pack_input
    if stream.recent_w is not None and stream.recent_w > 5.0 and site.has(Quantity.PACK_INPUT_POWER):
        return 100.0 * CHARGE_EFFICIENCY * stream.recent_w / nominal
    if site.pack.charge_w is not None:
        return 100.0 * CHARGE_EFFICIENCY * site.pack.charge_w / nominal
    return 100.0 / USUAL_CHARGE_HOURS


def full_at_ms(site: Site, fold: Fold, pack: PackDraws, percent: float | None, now_ms: int) -> int | None:
    """When the pack will be full again [ms]; None when it is, or does not charge."""
    if percent is None or percent >= _TAPER_PERCENT:
        return None
    seen = fold.accounts.rate_percent_per_h(now_ms)
    if fold.accounts.percent is not None and seen is not None:
        if seen <= 0.0:
            return None
        hours = (100.0 - percent) / seen
    else:
        missing_wh = float(np.median(pack.to_full_wh))
        hours = missing_wh / (charging_percent_per_h(site, fold) / 100.0 * site.pack.nominal_wh)
    return now_ms + round(hours * HOUR_MS)
