"""What alarm rules and their words ask about pumps that each hang on a pack of their own."""

from __future__ import annotations

from collections.abc import Iterable

from forecaster.alarms.evidence import AlarmEvidence
from forecaster.domain.forecast import PackNow, PackRole
from forecaster.domain.quantities import PUMP_QUANTITIES
from forecaster.domain.status import QuantityAge

SPENT_PERCENT = 5.0
"""A pack that went silent at this charge or below has run empty (common practice, no source) [%]."""


def pack_of(seen: AlarmEvidence, pump: str) -> PackNow | None:
    """The pack that feeds a pump; None where all packs feed all."""
    return next((pack for pack in seen.forecast.packs if pack.pump == pump), None)


def spent(seen: AlarmEvidence, pack: PackNow) -> bool:
    """Whether a pack has run empty while the mains is away, and its own devices may have gone silent with it."""
    if not seen.on_pack or pack.pump is None:
        return False
    last = pack.charge_percent
    return pack.role is PackRole.EMPTY or (pack.role is PackRole.SILENT and last is not None and last <= SPENT_PERCENT)


def still_powered(seen: AlarmEvidence, ages: Iterable[QuantityAge]) -> list[QuantityAge]:
    """Those quantities whose devices do not hang on a pack that has run empty: that they are silent is news."""
    packs = [pack for pack in seen.forecast.packs if spent(seen, pack)]
    if not packs:
        return list(ages)
    first = seen.site.pumps[0].id
    pumps = {"" if pack.pump == first else pack.pump for pack in packs}
    names = {pack.id for pack in packs}
    return [age for age in ages if age.subject not in (pumps if age.quantity in PUMP_QUANTITIES else names)]
