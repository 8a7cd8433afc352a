"""Where samples catch the pump so seldom that the charge tells more of its energy: the charge leads.

A sample every few minutes catches a run by chance. Each catch stands for a lump, the running power times the interval,
and the count is binomial: after an energy E at the plug its error is as large as the root of E times the lump (Poisson,
the limit of rare runs). Between two changes of the charge the energy out of the battery is known to a step or so,
however long that took. So where a lump is larger than a step, the charge tells more over every span of a step and
longer, and what the pump used is what left the battery less what everything else took:

    (capacity x fall + charging accepted) - idle x hours = cost x (pump + loads)

Capacity, cost and idle are those that were believed before the discharge: nothing else is left that could tell them.
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from typing import Any

from forecaster.domain.times import HOUR_MS
from forecaster.engine.evidence import Drained, PumpSpan
from forecaster.pack.belief import PackBelief
from forecaster.pack.chargeline import CAPACITY, CHARGE_ACCEPTED, COST, GAUGE_NOISE_PERCENT, IDLE, THIN_PERCENT
from forecaster.pack.stray import stray_between

_NEVER_MS = -1


@dataclass(slots=True)
class ChargeLed:
    """The pump's energy in the present discharge as the charge tells it.

    leads : bool — whether the charge leads now
    shown : float | None — the charge last shown [%]
    percent, at_ms, loads_wh, charging_wh : the newest change taken: the charge then [%], when [UTC ms], and what other
        loads had used and what had been charged since the transfer [Wh]
    told_h, told_wh : for how long the charge has told of the pump [h], and the pump's energy in that time [Wh]
    counted_ms : until when the pump's own energy counts [UTC ms]
    """

    leads: bool = False
    shown: float | None = None
    percent: float | None = None
    at_ms: int = _NEVER_MS
    loads_wh: float = 0.0
    charging_wh: float = 0.0
    told_h: float = 0.0
    told_wh: float = 0.0
    counted_ms: int = _NEVER_MS

    def take(self, told: Drained, belief: PackBelief) -> PumpSpan | None:
        """Take what was counted by now; the pump's energy since the last change where the charge has changed again."""
        capacity_wh = math.exp(belief.mean[CAPACITY]) * belief.factor
        self.leads = told.seldom and belief.step_seen and told.lump_wh > belief.step_percent / 100.0 * capacity_wh
        percent, shown = told.charge_percent, self.shown
        if percent is None:
            return None
        self.shown = percent
        if not self.leads or shown is None or percent == shown:
            return None
        return self._changed(percent, told, belief, capacity_wh)

    def _changed(self, percent: float, told: Drained, belief: PackBelief, capacity_wh: float) -> PumpSpan | None:
        before, began_ms, hours = self.percent, self.at_ms, (told.at_ms - self.at_ms) / HOUR_MS
        fallen = 0.0 if before is None else before - percent
        if before is not None and 0.0 <= fallen < max(THIN_PERCENT, 0.9 * belief.step_percent):
            return None
        loads_wh = told.elapsed_s / 3600.0 * belief.listed_loads_w if told.loads_wh is None else told.loads_wh
        out_wh = fallen / 100.0 * capacity_wh + CHARGE_ACCEPTED * (told.charging_wh - self.charging_wh)
        carried_wh = loads_wh - self.loads_wh
        self.percent, self.at_ms = percent, told.at_ms
        self.loads_wh, self.charging_wh = loads_wh, told.charging_wh
        if fallen <= 0.0 or began_ms < self.counted_ms:
            return None
        cost, idle_w = (math.exp(belief.mean[of]) for of in (COST, IDLE))
        pump_wh = max((out_wh - idle_w * hours) / cost - carried_wh, 0.0)
        self.told_h, self.told_wh = self.told_h + hours, self.told_wh + pump_wh
        strays = math.hypot(math.sqrt(2.0) * GAUGE_NOISE_PERCENT, stray_between(fallen))
        return PumpSpan(began_ms, told.at_ms, pump_wh, ends_wh=strays / 100.0 * capacity_wh / cost)

    def admits(self, span: PumpSpan) -> bool:
        """Whether the pump's own energy counts over a span: not what was caught, once the charge has told of a part."""
        if span.lump_wh > 0.0 and self.leads and self.told_h > 0.0 and self.at_ms > span.start_ms:
            return False
        self.counted_ms = span.stop_ms
        return True

    def booked_wh(self, told: Drained, mean_w: float) -> float:
        """The pump's energy since the transfer [Wh]: as the charge told, and at its mean power for the rest."""
        return self.told_wh + mean_w * max(told.elapsed_s / 3600.0 - self.told_h, 0.0)

    def state(self) -> dict[str, Any]:
        """All of it, for a snapshot."""
        return asdict(self)
