"""When each draw first reaches the reserve floor and empty, from what drains the battery ahead.

The drain is computed no further ahead than it takes for all draws to have got there.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from forecaster.engine import reserve
from forecaster.engine.one_a_pump import BothAhead, Handover
from forecaster.maths.arrays import Array, Paths
from forecaster.maths.ranks import linear_quantile
from forecaster.pack.draws import PackDraws
from forecaster.water.inflow import Inflow

_LEAST_SHARE = 0.4
"""The drain is first computed for as long as the pack would last if the pump used this share of its mean power now."""
NEVER = np.full(1, np.inf)
"""No pit floods while a pump has charge [h]."""


@dataclass(frozen=True, slots=True)
class Drain:
    """What drains the battery ahead, in as many draws as the pack has.

    scale : (draws,) | None — factors on the pump's energy for what was not heard; None: all was heard
    now_ms : int — UTC milliseconds
    standby_w : float — the pump's draw between runs [W]
    charging_wh : (draws, all points) | None — cumulative energy into the battery ahead [Wh]; None: no charging
    within_wh : (draws,) — correction of the energy budget for the place within the pump's cycle [Wh]
    seed : int — of the water's draws
    stays_on_w : (draws,) | None — power of a pump that does not stop any more [W], 0 where it does; None: it does
    handover : Handover | None — two pumps that lift one after the other, each from a pack of its own
    level_told : bool — whether `scale` has the mean power of a pump that was never heard, as the charge tells it
    """

    pack: PackDraws
    inflow: Inflow
    now_ms: int
    scale: Array | None
    standby_w: float
    charging_wh: Array | None
    within_wh: Array
    seed: int
    stays_on_w: Array | None = None
    handover: Handover | None = None
    level_told: bool = False

    def ahead(self, points: int) -> BothAhead:
        """What is drawn from the battery until the first `points` of the times ahead."""
        whole_s = reserve.ahead_grid_s()
        pump_wh = self.inflow.drawn_ahead(
            self.now_ms, whole_s, self.within_wh.size, self.seed, points=points, level_told=self.level_told
        )
        if self.scale is not None:
            pump_wh *= self.scale[:, None].astype(np.float32)
        if self.stays_on_w is not None:
            pump_wh = np.maximum(pump_wh, np.outer(self.stays_on_w, whole_s[:points] / 3600.0).astype(np.float32))
        if self.handover is not None:
            both = self.handover.ahead(pump_wh, self.pack, whole_s[:points])
            return replace(both, drain_wh=reserve.less_charged_wh(both.drain_wh, self.pack, self.charging_wh))
        if self.standby_w:
            pump_wh += (self.standby_w * whole_s[:points] / 3600.0).astype(np.float32)
        drain_wh = reserve.cumulative_drain_wh(pump_wh, self.pack, whole_s[:points], self.charging_wh)
        return BothAhead(drain_wh, NEVER)

    def passage(self, mean_w: float) -> Passage:
        """When each draw first reaches the reserve floor and empty. mean_w : float — the pump's mean power now [W]

        Most draws are empty long before the inverter and the other loads alone would have emptied the pack. Where some
        are not, the points up to that time are computed as well; how many are computed does not change their values.
        """
        whole_s = reserve.ahead_grid_s()
        if self.charging_wh is not None or self.handover is not None:
            return self._passed(whole_s.size)
        found = self._passed(reserve.points_needed(self.pack, whole_s, _LEAST_SHARE * mean_w))
        return found if found.whole else self._passed(reserve.points_needed(self.pack, whole_s))

    def _passed(self, points: int) -> Passage:
        grid_s, pack = reserve.ahead_grid_s()[:points], self.pack
        ahead = self.ahead(points)
        drain_wh = ahead.drain_wh
        peak_wh = drain_wh if self.charging_wh is None else reserve.running_peak(drain_wh)
        budgets_wh = np.stack([pack.to_reserve_wh, pack.to_empty_wh]) + self.within_wh
        hours, to_empty_h = np.minimum(reserve.passages_of_peak(peak_wh, budgets_wh, grid_s), ahead.floods_h)
        ordered = np.sort(np.minimum(hours, reserve.ahead_grid_s()[-1] / 3600.0))
        return Passage(grid_s, drain_wh, hours, to_empty_h, linear_quantile(ordered, 0.95) * 1.1 + 0.5)


@dataclass(frozen=True, slots=True)
class Passage:
    """When each of a set of draws first reaches the reserve floor and empty, and the drain that this rests on.

    grid_s : (T,) — times ahead [s]; drain_wh : (draws, T) — energy drawn from the battery until then [Wh]
    hours, to_empty_h : (draws,) — until the reserve floor and until empty [h], inf: not within the grid
    late_h : float — a little later than the 95 % quantile of `hours` [h]
    """

    grid_s: Array
    drain_wh: Paths
    hours: Array
    to_empty_h: Array
    late_h: float

    @property
    def whole(self) -> bool:
        """Whether every draw is empty within the grid, and the grid goes on to `late_h`."""
        return bool(np.isfinite(self.to_empty_h).all()) and self.late_h * 3600.0 <= float(self.grid_s[-1])
