"""Compares measurement and sizing: whether they agree, and if not, which assumption explains the difference."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from forecaster.discharge.evidence import DischargeEvidence
from forecaster.discharge.hours import PumpRate
from forecaster.pack.draws import PackDraws
from forecaster.pack.nameplate import running_w
from forecaster.sizing.battery import Margins
from forecaster.sizing.runtime import pack_draws
from forecaster.texts.catalogue import Figure, Said, with_unit

AGREES = 0.1
"""Measurement and sizing agree within this share."""


@dataclass(frozen=True, slots=True)
class Assumptions:
    """The assumptions that determine the hours, each at the median of its belief."""

    running_w: float
    duty: float
    capacity_wh: float
    efficiency: float
    idle_w: float
    loads_w: float

    def hours(self, depth: float) -> float:
        """Hours that a share of the capacity lasts."""
        drain = (self.running_w * self.duty + self.loads_w) / self.efficiency + self.idle_w
        return depth * self.capacity_wh / drain


UNITS = {
    "running_w": "W",
    "capacity_wh": "Wh",
    "efficiency": "",
    "idle_w": "W",
    "loads_w": "W",
}


def _middle(draws: PackDraws, watts: float, duty: float) -> Assumptions:
    capacity, efficiency = float(np.median(draws.capacity_wh)), float(np.median(draws.efficiency))
    idle, loads = float(np.median(draws.idle_w)), float(np.median(draws.loads_w))
    return Assumptions(watts, duty, capacity, efficiency, idle, loads)


def compare(evidence: DischargeEvidence, measured: PackDraws, rate: PumpRate, measured_h: float) -> tuple[float, str]:
    """Hours by the site file at the observed rhythm, and in words whether the measurement agrees, or why not."""
    site = evidence.site
    plate_w = running_w(site.pump)
    margins = Margins(None, 1.0, ())
    running_s = sum(run.run_s for run in evidence.runs)
    duty = min(1.0, running_s / (evidence.hours * 3600.0)) if evidence.hours else 0.0
    assumed = _middle(pack_draws(site.pack, site.loads, 100.0, margins, plate_w), plate_w, duty)
    found = _middle(measured, rate.mean_w / duty if duty else plate_w, duty)
    depth = 1.0 - site.pack.reserve_percent / 100.0
    sizing_h = assumed.hours(depth)
    if abs(measured_h / sizing_h - 1.0) <= AGREES:
        return sizing_h, Said("rehearsal.agrees", hours=Figure(f"{sizing_h:.1f}"))
    return sizing_h, (
        Said("rehearsal.differs", hours=Figure(f"{sizing_h:.1f}"), cause=_explained(assumed, found, depth, measured_h))
    )


def _explained(assumed: Assumptions, found: Assumptions, depth: float, measured_h: float) -> str:
    """The one assumption whose correction brings the sizing nearest to the measurement."""
    left = {
        name: abs(np.log(replace(assumed, **{name: getattr(found, name)}).hours(depth) / measured_h)) for name in UNITS
    }
    best = min(left, key=lambda name: float(left[name]))
    unit = UNITS[best]
    before, after = getattr(assumed, best), getattr(found, best)
    decimals = 0 if unit else 2
    apart = best not in ("running_w", "loads_w")
    return Said(
        "rehearsal.cause_apart" if apart else "rehearsal.cause",
        what=Said(f"rehearsal.assumed.{best}"),
        before=with_unit(f"{before:.{decimals}f}", unit),
        after=with_unit(f"{after:.{decimals}f}", unit),
    )
