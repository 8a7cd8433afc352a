"""The forecast: hours remaining as a distribution, and all that it rests on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from itertools import pairwise

from forecaster.domain.runs import Supply
from forecaster.domain.times import HOUR_MS

LEVELS: tuple[float, ...] = (0.05, 0.10, 0.25, 0.50, 0.75, 0.90, 0.95)
"""Probabilities at which quantiles are given."""

HORIZON_H = 336.0
"""How far ahead a forecast looks [h]; a quantile beyond it is None."""


class Basis(StrEnum):
    """What a forecast rests on."""

    MEASURED = "measured"
    PROJECTED = "projected"  # telemetry is silent: the last known state carried forward
    SPECIFICATION = "specification"  # nothing has been learnt yet


@dataclass(frozen=True, slots=True)
class Quantiles:
    """Quantiles of a time in hours; None beyond the horizon, or not known. Never crossing."""

    p05: float | None = None
    p10: float | None = None
    p25: float | None = None
    p50: float | None = None
    p75: float | None = None
    p90: float | None = None
    p95: float | None = None

    def values(self) -> tuple[float | None, ...]:
        """In the order of LEVELS."""
        return (self.p05, self.p10, self.p25, self.p50, self.p75, self.p90, self.p95)


@dataclass(frozen=True, slots=True)
class SurvivalPoint:
    """Probability, 0..1, that the pack is still above the reserve floor at a time."""

    at_ms: int
    probability: float


def chance_at(curve: Sequence[SurvivalPoint], at_ms: int) -> float | None:
    """The chance that a curve gives for a time: straight between its points, and its first one before them.

    After its last point it stays 0 where it has come to 0; else it is not known (None), as where there is no curve.
    """
    if not curve:
        return None
    if at_ms <= curve[0].at_ms:
        return curve[0].probability
    for before, after in pairwise(curve):
        if at_ms <= after.at_ms:
            share = (at_ms - before.at_ms) / (after.at_ms - before.at_ms)
            return before.probability + share * (after.probability - before.probability)
    last = curve[-1]
    return last.probability if at_ms == last.at_ms or last.probability <= 0.0 else None


@dataclass(frozen=True, slots=True)
class Water:
    """Water into the pit [L/min], water the pump lifts [L/min], minutes from the pump stopping to a wet floor.

    halving_h : float | None — hours in which the inflow is expected to halve; None when it is not falling
    """

    inflow_l_per_min: float | None = None
    pump_rate_l_per_min: float | None = None
    minutes_to_floor: float | None = None
    halving_h: float | None = None


@dataclass(frozen=True, slots=True)
class Coverage:
    """Achieved coverage of the 10-90 % range on the site's own past: hits of count, and the widening in force."""

    hits: int
    count: int
    widening: float


@dataclass(frozen=True, slots=True)
class DrawParts:
    """Where the draw goes, W from the battery, as means over the cycles."""

    pump_w: float
    loads_w: float
    pack_w: float
    charging_w: float


@dataclass(frozen=True, slots=True)
class Forecast:
    """One forecast, the document of the interface in domain form.

    Times in UTC milliseconds, hours in h, energies in Wh, powers in W, charge in %. None is "not known".
    mean_rate forms (draw_w, duty, cycles_per_hour) are the present expectation, not the present watts.
    drain_path : tuple of (at_ms, p10, p50, p90) — expected charge [%] ahead, for pictures
    full_at_ms : int | None — on mains below full: when the pack will be full again
    never_probability : float — chance that the floor is not reached within the horizon
    """

    site: str
    issued_at_ms: int
    supply: Supply
    basis: Basis
    data_age_s: float | None
    charge_percent: float | None
    usable_wh: float | None
    draw_w: float | None
    cycles_per_hour: float | None
    run_s: float | None
    wh_per_cycle: float | None
    duty: float | None
    hours_remaining: Quantiles
    hours_to_empty: Quantiles
    survival: tuple[SurvivalPoint, ...]
    water: Water
    degraded: tuple[str, ...] = ()
    supply_inferred: bool = False
    supply_since_ms: int | None = None
    draw: DrawParts | None = None
    horizon_h: float = HORIZON_H
    drain_path: tuple[tuple[int, float, float, float], ...] = ()
    full_at_ms: int | None = None
    never_probability: float = 0.0
    coverage: Coverage | None = None

    def chances(self) -> tuple[SurvivalPoint, ...]:
        """The chance that the pack is above its floor, from the issue on, for times that rise.

        It begins at 1, or lower where the floor may be reached already; before the first point of `survival` it goes
        through the quantiles of the hours remaining. Empty for a forecast that was read without its survival.
        """
        if not self.survival or self.survival[0].at_ms <= self.issued_at_ms:
            return self.survival
        first, latest = self.survival[0], self.hours_remaining.p95
        curve = {self.issued_at_ms: 1.0}
        for level, hours in zip(LEVELS, self.hours_remaining.values(), strict=True):
            at_ms = first.at_ms if hours is None else self.issued_at_ms + round(max(hours, 0.0) * HOUR_MS)
            if at_ms < first.at_ms:
                curve[at_ms] = max(1.0 - level, first.probability)
        if latest is not None and latest <= 0.0:
            curve = {self.issued_at_ms: first.probability}
        return (*(SurvivalPoint(at_ms, chance) for at_ms, chance in curve.items()), *self.survival)

    def chance_until(self, at_ms: int) -> float | None:
        """The chance, 0..1, that the pack stays above its reserve floor until a time; None beyond the horizon.

        0 once the floor is reached, and for every time after which no draw lasts. A time before the issue: as at it.
        """
        return chance_at(self.chances(), at_ms)

    def reissued(self, now_ms: int, data_age_s: float | None) -> Forecast:
        """The same prospects seen from a little later: for a site on mains where nothing has come in meanwhile.

        Hours remaining are those after a failure now, so they stay; times ahead move along with the present.
        """
        by_ms = now_ms - self.issued_at_ms
        return replace(
            self,
            issued_at_ms=now_ms,
            data_age_s=data_age_s,
            survival=tuple(SurvivalPoint(point.at_ms + by_ms, point.probability) for point in self.survival),
            drain_path=tuple((at_ms + by_ms, low, mid, high) for at_ms, low, mid, high in self.drain_path),
        )
