"""The forecast: hours remaining as a distribution, and all that it rests on."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum

from forecaster.domain.runs import Supply

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
    until: SurvivalPoint | None = None
    drain_path: tuple[tuple[int, float, float, float], ...] = ()
    full_at_ms: int | None = None
    never_probability: float = 0.0
    coverage: Coverage | None = None

    def carried_on(self, now_ms: int, data_age_s: float | None) -> Forecast:
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
