"""The measurement against the sizing: do they agree, and if not, which assumption explains the difference."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from forecaster.discharge.evidence import DischargeEvidence
from forecaster.discharge.hours import PumpRate
from forecaster.pack.belief import PackDraws
from forecaster.pack.nameplate import running_w
from forecaster.sizing.battery import Margins
from forecaster.sizing.runtime import pack_draws

AGREES = 0.1
"""Within this share of each other they agree."""


@dataclass(frozen=True, slots=True)
class Assumptions:
    """What hours follow from, at the middle of each belief."""

    running_w: float
    duty: float
    capacity_wh: float
    efficiency: float
    idle_w: float
    loads_w: float

    def hours(self, depth: float) -> float:
        """Hours over a share of the capacity."""
        drain = (self.running_w * self.duty + self.loads_w) / self.efficiency + self.idle_w
        return depth * self.capacity_wh / drain


NAMES = {
    "running_w": ("the pump's running power", "W"),
    "capacity_wh": ("the capacity", "Wh"),
    "efficiency": ("the inverter's efficiency", ""),
    "idle_w": ("the inverter's idle draw", "W"),
    "loads_w": ("the other loads", "W"),
}


def _middle(draws: PackDraws, watts: float, duty: float) -> Assumptions:
    capacity, efficiency = float(np.median(draws.capacity_wh)), float(np.median(draws.efficiency))
    idle, loads = float(np.median(draws.idle_w)), float(np.median(draws.loads_w))
    return Assumptions(watts, duty, capacity, efficiency, idle, loads)


def compare(evidence: DischargeEvidence, measured: PackDraws, rate: PumpRate, measured_h: float) -> tuple[float, str]:
    """Hours by the site file at the rhythm that was seen, and in words whether that agrees and why not."""
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
        return sizing_h, f"The sizing said {sizing_h:.1f} h, which agrees."
    return sizing_h, f"The sizing said {sizing_h:.1f} h. {_explained(assumed, found, depth, measured_h)}"


def _explained(assumed: Assumptions, found: Assumptions, depth: float, measured_h: float) -> str:
    """The one assumption that, put right, brings the sizing nearest to the measurement."""
    left = {
        name: abs(np.log(replace(assumed, **{name: getattr(found, name)}).hours(depth) / measured_h)) for name in NAMES
    }
    best = min(left, key=lambda name: float(left[name]))
    called, unit = NAMES[best]
    before, after = getattr(assumed, best), getattr(found, best)
    shown = f"{before:.2f}, was {after:.2f}" if not unit else f"{before:.0f} {unit}, was {after:.0f} {unit}"
    apart = "" if best in ("running_w", "loads_w") else " Capacity and losses are hard to tell apart by one rehearsal."
    return f"Likeliest cause of the difference is {called}: assumed {shown}.{apart}"
