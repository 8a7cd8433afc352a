"""The forecast: hours remaining as a distribution, and all that it rests on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum
from itertools import pairwise

from forecaster.domain.members import written
from forecaster.domain.runs import Supply
from forecaster.domain.site import Driven
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

    p05: float | None = field(default=None, metadata=written(2))
    p10: float | None = field(default=None, metadata=written(2))
    p25: float | None = field(default=None, metadata=written(2))
    p50: float | None = field(default=None, metadata=written(2))
    p75: float | None = field(default=None, metadata=written(2))
    p90: float | None = field(default=None, metadata=written(2))
    p95: float | None = field(default=None, metadata=written(2))

    def values(self) -> tuple[float | None, ...]:
        """In the order of LEVELS."""
        return (self.p05, self.p10, self.p25, self.p50, self.p75, self.p90, self.p95)


@dataclass(frozen=True, slots=True)
class SurvivalPoint:
    """Probability, 0..1, that the pack is still above the reserve floor at a time."""

    at_ms: int
    probability: float = field(metadata=written(4, share=True))


def chance_at(curve: Sequence[SurvivalPoint], at_ms: int) -> float | None:
    """The chance that a curve gives for a time: linear between its points, and the first one before them.

    After the last point it is 0 if the curve has reached 0, else not known (None). Without a curve it is None.
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

    inflow_l_per_min: float | None = field(default=None, metadata=written(2))
    pump_rate_l_per_min: float | None = field(default=None, metadata=written(1))
    minutes_to_floor: float | None = field(
        default=None, metadata=written(1, says="From the pump stopping for good until the floor is wet.")
    )
    halving_h: float | None = field(default=None, metadata=written(1, later=True))


@dataclass(frozen=True, slots=True)
class Coverage:
    """Achieved coverage of the 10-90 % range on the site's own past: hits of count, and the widening applied."""

    hits: int
    count: int
    widening: float = field(metadata=written(3))


@dataclass(frozen=True, slots=True)
class DrawParts:
    """Where the draw goes, W from the battery, as means over the cycles."""

    pump_w: float = field(metadata=written(1))
    loads_w: float = field(metadata=written(1))
    pack_w: float = field(metadata=written(1))
    charging_w: float = field(metadata=written(1))


@dataclass(frozen=True, slots=True)
class ChargeAhead:
    """Quantiles of the charge [%] at a time ahead."""

    at_ms: int
    p10: float = field(metadata=written(1))
    p50: float = field(metadata=written(1))
    p90: float = field(metadata=written(1))


class PackRole(StrEnum):
    """What one of several packs does."""

    READY = "ready"  # the mains carries
    CARRYING = "carrying"
    WAITING = "waiting"  # its turn comes after another one's
    EMPTY = "empty"
    OFF = "off"  # has charge left, and carries nothing while another one does
    SILENT = "silent"  # not heard, and not counted on
    STRANDED = "stranded"  # the pump that it feeds does not lift, or is not heard


@dataclass(frozen=True, slots=True)
class PackNow:
    """One of several packs: what it does, its charge [%], and the energy above its own reserve that it adds [Wh].

    pump : str | None — the pump that it feeds, where each has a pack of its own
    """

    id: str
    role: PackRole
    charge_percent: float | None = field(default=None, metadata=written(1))
    usable_wh: float | None = field(default=None, metadata=written(1))
    pump: str | None = None


class PumpRole(StrEnum):
    """What one of two pumps in one pit does."""

    LIFTS = "lifts"  # the water is lifted by it
    WAITS = "waits"  # the water has not come up to its float
    MISSING = "missing"  # does not lift though the water is above its float
    BESIDE = "beside"  # lifts beside the other one, which alone does not keep up
    SILENT = "silent"  # not heard, and not counted on


@dataclass(frozen=True, slots=True)
class PumpNow:
    """One of two pumps: what it does, whether it runs now, when its newest finished run ended, and a usual run of it.

    run_s, wh_per_cycle : float | None — [s], and at its plug [Wh]; 0 Wh where water pressure drives it
    """

    id: str
    role: PumpRole
    driven_by: Driven
    running: bool
    last_run_ms: int | None = None
    run_s: float | None = field(default=None, metadata=written(1))
    wh_per_cycle: float | None = field(default=None, metadata=written(3))


@dataclass(frozen=True, slots=True)
class Forecast:
    """One forecast: what the document of the interface, its schema and its reader are made from.

    A new field needs a place here, and the value that `forecaster.engine.outlook` gives it; nothing else.
    Times in UTC milliseconds, hours in h, energies in Wh, powers in W, charge in %. None is "not known".
    draw_w, duty, cycles_per_hour : the present expectation as a mean over cycles, not the present watts
    drain_path : the charge that is expected ahead, for pictures
    full_at_ms : int | None — on mains below full: when the pack will be full again
    packs : each pack where there are several; charge_percent, usable_wh and all else are of those that can be had
    pumps : both where there are two in the pit; cycles_per_hour, run_s, wh_per_cycle and duty are of the one that
        lifts, and minutes_to_floor begins where the water reaches the second one's float
    never_probability : float — chance that the floor is not reached within the horizon, 0..1
    """

    site: str
    issued_at_ms: int
    supply: Supply
    basis: Basis
    data_age_s: float | None = field(metadata=written(1))
    charge_percent: float | None = field(metadata=written(1))
    usable_wh: float | None = field(metadata=written(1))
    draw_w: float | None = field(metadata=written(1))
    cycles_per_hour: float | None = field(metadata=written(2))
    run_s: float | None = field(metadata=written(1))
    wh_per_cycle: float | None = field(metadata=written(3))
    duty: float | None = field(metadata=written(4))
    hours_remaining: Quantiles
    hours_to_empty: Quantiles = field(metadata=written(then=("reserve_at",)))
    survival: tuple[SurvivalPoint, ...]
    water: Water
    horizon_h: float = HORIZON_H
    degraded: tuple[str, ...] = field(default=(), metadata=written(then=("degraded_codes",)))
    supply_inferred: bool = field(default=False, metadata=written(later=True))
    supply_since_ms: int | None = field(default=None, metadata=written(later=True))
    draw: DrawParts | None = field(default=None, metadata=written(later=True, then=("until",)))
    drain_path: tuple[ChargeAhead, ...] = field(default=(), metadata=written(later=True))
    full_at_ms: int | None = field(default=None, metadata=written(later=True))
    never_probability: float = field(default=0.0, metadata=written(4, later=True))
    coverage: Coverage | None = field(default=None, metadata=written(later=True))
    packs: tuple[PackNow, ...] = field(default=(), metadata=written(later=True))
    pumps: tuple[PumpNow, ...] = field(default=(), metadata=written(later=True))

    def chances(self) -> tuple[SurvivalPoint, ...]:
        """The chance that the pack is above its floor, at rising times from the issue on.

        It begins at 1, or lower where the floor may already be reached. Before the first point of `survival` it follows
        the quantiles of the hours remaining. Empty for a forecast that was read without its survival.
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

        0 once the floor is reached, and from the time that no draw outlasts. For a time before the issue it is that at
        the issue.
        """
        return chance_at(self.chances(), at_ms)

    def reissued(self, now_ms: int, data_age_s: float | None) -> Forecast:
        """The same forecast issued a little later, for a site on mains from which nothing new has come.

        The hours remaining after a failure stay the same; times ahead move along with the issue.
        """
        by_ms = now_ms - self.issued_at_ms
        return replace(
            self,
            issued_at_ms=now_ms,
            data_age_s=data_age_s,
            survival=tuple(SurvivalPoint(point.at_ms + by_ms, point.probability) for point in self.survival),
            drain_path=tuple(replace(point, at_ms=point.at_ms + by_ms) for point in self.drain_path),
        )
