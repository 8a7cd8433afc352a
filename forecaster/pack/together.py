"""Stored readings of the house as a whole: of several packs, what they came to together."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Sequence

from forecaster.domain.ports import ReadingStore
from forecaster.domain.quantities import PACK_POWERS, PACK_QUANTITIES, Quantity
from forecaster.domain.readings import SeriesPoint
from forecaster.domain.site import Site

HELD_MS = 15 * 60_000
"""How long a power counts on after it was last heard [ms]; a charge stands."""


def house_series(
    store: ReadingStore, site: Site, quantity: Quantity, start_ms: int, end_ms: int, points: int | None = None
) -> list[SeriesPoint]:
    """The series of a quantity as `store.series` gives it. Of several packs powers add, and all else is the mean by
    their plates' energies, at the times of the first pack and from when all were heard.
    """
    if not site.packs or quantity not in PACK_QUANTITIES:
        return store.series(site.id, quantity, start_ms, end_ms, points)
    series = [store.series(site.id, quantity, start_ms, end_ms, points, one.id) for one in site.packs]
    whole = sum(one.pack.nominal_wh for one in site.packs)
    shares = [1.0 if quantity in PACK_POWERS else one.pack.nominal_wh / whole for one in site.packs]
    heard = [(share, [point.time_ms for point in part], part) for share, part in zip(shares, series, strict=True)]
    found = []
    for point in series[0]:
        parts = [(share, _at(times, part, point.time_ms)) for share, times, part in heard]
        if any(held is None for _, held in parts):
            continue
        known = [
            (share, held)
            for share, held in parts
            if held is not None and not (quantity in PACK_POWERS and point.time_ms - held.time_ms > HELD_MS)
        ]
        found.append(
            SeriesPoint(
                point.time_ms,
                point.count,
                _summed(known, lambda held: held.low),
                _summed(known, lambda held: held.high),
                _summed(known, lambda held: held.mean),
            )
        )
    return found


def _at(times: Sequence[int], part: Sequence[SeriesPoint], at_ms: int) -> SeriesPoint | None:
    place = bisect_right(times, at_ms)
    return part[place - 1] if place else None


def _summed(parts: Sequence[tuple[float, SeriesPoint]], value: Callable[[SeriesPoint], float]) -> float:
    return sum(share * value(point) for share, point in parts)


def house_charge(store: ReadingStore, site: Site, since_ms: int) -> float | None:
    """The newest charge of the house [%], where it was heard of every pack since a time; None elsewhere."""
    latest = store.latest(site.id)
    if not site.packs:
        newest = latest.get((Quantity.PACK_CHARGE, ""))
        return newest.value if newest is not None and newest.time_ms >= since_ms else None
    whole = sum(one.pack.nominal_wh for one in site.packs)
    charge = 0.0
    for one in site.packs:
        newest = latest.get((Quantity.PACK_CHARGE, one.id))
        if newest is None or newest.time_ms < since_ms:
            return None
        charge += newest.value * one.pack.nominal_wh / whole
    return charge
