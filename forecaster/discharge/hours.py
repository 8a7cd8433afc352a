"""Hours from full to the reserve floor, extrapolated from a part of the discharge, with the resulting uncertainty."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from forecaster.discharge.evidence import DischargeEvidence
from forecaster.domain.times import HOUR_MS
from forecaster.maths.arrays import Array
from forecaster.maths.noise import normals, seeds_of
from forecaster.pack.battery import charge_at
from forecaster.pack.belief import PackBelief
from forecaster.pack.draws import PackDraws

DRAWS = 2000
SEED = 5
METER_SPREAD, NAMEPLATE_SPREAD = 0.01, 0.1
"""Relative uncertainty of plug energies: metered, and run length times nameplate watts. Common practice, no source."""

TEN_PERCENT_Z, FIVE_PERCENT_Z = 1.2816, 1.6449
"""The 90 and the 95 % point of the standard normal."""

MOST_EFFICIENT = 0.98
"""No inverter gives more of what it takes: draws above say that capacity and losses were confused. Common practice."""

CALMER = 0.83
"""A whole discharge in one go strays less than the belief allows for over many: its range is this share of the
belief's, on a log scale. Tuned on simulated rehearsals, seeds 0 to 199."""

INFLOW_STAYS = 0.005
"""How much the later inflow differs from the rehearsal's, on a log scale. Tuned on simulated rehearsals."""

Triple = tuple[float, float, float]


def step_doubt(fall_percent: float, step_percent: float = 1.0) -> float:
    """How far the 10 and 90 % points of a slope of the charge lie from its middle, as a share, by whole steps alone.

    A charge read in whole steps q leaves a slope over a fall dS with relative SD q / (sqrt(6) dS): both ends are off by
    a uniform half step. step_percent is q [%]; the worst error is q / dS.
    """
    return TEN_PERCENT_Z * step_percent / (math.sqrt(6.0) * fall_percent)


@dataclass(frozen=True, slots=True)
class PumpRate:
    """Mean pump power at the plug [W] over whole cycles, and its relative standard error."""

    mean_w: float
    relative_sd: float


def pump_rate(evidence: DischargeEvidence) -> PumpRate:
    """From whole cycles, first start to last start; a ratio estimate with the error of its blocks or its cycles."""
    runs, energies = evidence.runs, evidence.energies_wh
    if len(runs) < 3:
        total = float(energies.sum())
        return PumpRate(total / evidence.hours if evidence.hours else 0.0, 1.0 / math.sqrt(len(runs) + 1.0))
    starts = np.array([run.start_ms for run in runs], dtype=np.float64) / HOUR_MS
    waits, used = np.diff(starts), energies[:-1]
    mean = float(used.sum() / waits.sum())
    return PumpRate(mean, max(_ratio_error(used, waits, 1), _ratio_error(used, waits, max(1, waits.size // 6))))


def _ratio_error(used: Array, waits: Array, block: int) -> float:
    """Relative standard error of sum(used) / sum(waits), cycles taken in blocks of so many."""
    count = used.size // block
    if count < 2:
        return 1.0 / math.sqrt(used.size + 1.0)
    u = used[: count * block].reshape(count, block).sum(axis=1)
    w = waits[: count * block].reshape(count, block).sum(axis=1)
    rest = u - w * (u.sum() / w.sum())
    return float(np.sqrt(np.sum(rest**2) * count / (count - 1.0)) / u.sum()) if u.sum() > 0 else 1.0


def believed(evidence: DischargeEvidence) -> PackBelief:
    """The joint belief about the pack after the rehearsal, computed as in the live forecast."""
    spread = METER_SPREAD if evidence.energy_measured else NAMEPLATE_SPREAD
    belief = PackBelief(evidence.site.pack, evidence.site.loads, energy_spread=spread, running_w=evidence.running_w)
    times = np.array([t for t, _ in evidence.charge], dtype=np.float64)
    plug, charging = evidence.plug_wh(times), evidence.charging_wh(times)
    loads_w = loads_measured_w(evidence)
    belief.begin(evidence.start_ms, evidence.charge[0][1] if evidence.charge else None)
    for (at_ms, percent), used_wh, into_wh in zip(evidence.charge, plug.tolist(), charging.tolist(), strict=True):
        elapsed_s = max(at_ms - evidence.start_ms, 0) / 1000.0
        loads_wh = None if loads_w is None else loads_w * elapsed_s / 3600.0
        belief.observe(at_ms, percent, used_wh, elapsed_s, into_wh, loads_wh)
    belief.end(evidence.end_ms)
    return belief


def from_full(belief: PackBelief) -> PackDraws:
    """Draws of the belief for a pack that starts full, (DRAWS,) each, none more efficient than an inverter can be."""
    drawn = belief.draw(2 * DRAWS, seeds_of(SEED, 1)[0], 100.0)
    possible = np.flatnonzero(drawn.efficiency <= MOST_EFFICIENT)
    if not possible.size:
        return replace(drawn.taken(np.arange(DRAWS)), efficiency=np.full(DRAWS, MOST_EFFICIENT))
    return drawn.taken(np.resize(possible, DRAWS))


def loads_measured_w(evidence: DischargeEvidence) -> float | None:
    """Other loads at the outlet [W]: median output while the pump stands; None where the output is not measured."""
    between = evidence.between_w
    return float(np.mean(between)) if between.size >= 10 else None


@dataclass(frozen=True, slots=True)
class Carried:
    """What a full pack carries if the inflow stays as it was, (DRAWS,) each.

    pump_w, loads_w : mean power at the plug, and that of the other loads [W]
    budget_wh : energy from full to the reserve floor [Wh]
    """

    pump_w: Array
    loads_w: Array
    pack: PackDraws
    budget_wh: Array

    @property
    def drain_w(self) -> Array:
        """Drain from the battery [Wh/h]."""
        return np.asarray((self.pump_w + self.loads_w) / self.pack.efficiency + self.pack.idle_w)

    @property
    def hours(self) -> Array:
        """Hours from full to the reserve floor."""
        return np.asarray(self.budget_wh / self.drain_w)


def carried(evidence: DischargeEvidence, pack: PackDraws) -> Carried:
    """What the pack carries from full on, by the rehearsal."""
    rate = pump_rate(evidence)
    strayed = math.hypot(rate.relative_sd, INFLOW_STAYS)
    pump_w = rate.mean_w * np.exp(strayed * normals(SEED, DRAWS, 1)[:, 0])
    measured = loads_measured_w(evidence)
    loads_w = pack.loads_w if measured is None else np.full(DRAWS, measured)
    floor = charge_at(evidence.site.pack.reserve_percent, pack.bow)
    return Carried(np.asarray(pump_w), loads_w, pack, np.asarray((1.0 - floor) * pack.capacity_wh))


def triple(values: Array, factor: float = 1.0) -> Triple:
    """p10, p50, p90 of draws, stretched about the median by a factor on a log scale."""
    low, middle, high = (float(v) for v in np.quantile(values, [0.1, 0.5, 0.9]))
    return middle * (low / middle) ** factor, middle, middle * (high / middle) ** factor


def at_least_as_wide(found: Triple, evidence: DischargeEvidence) -> Triple:
    """The range, made no narrower than whole steps of the charge permit."""
    if evidence.used_percent <= 0:
        return found
    half = step_doubt(evidence.used_percent, evidence.step_percent)
    low, middle, high = found
    return min(low, middle * max(0.0, 1.0 - half)), middle, max(high, middle * (1.0 + half))


def reached(hours: Array, evidence: DischargeEvidence) -> float:
    """Hours that are reached with 95 % chance, as far from the middle as the range of `at_least_as_wide` asks."""
    low, middle = (float(v) for v in np.quantile(hours, [0.05, 0.5]))
    least = float(middle * (low / middle) ** CALMER)
    if evidence.used_percent <= 0:
        return least
    half = step_doubt(evidence.used_percent, evidence.step_percent) * FIVE_PERCENT_Z / TEN_PERCENT_Z
    return min(least, middle * max(0.0, 1.0 - half))
