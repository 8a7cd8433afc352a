"""Draws of a pack's belief, and the counts of the present discharge."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, fields, replace

import numpy as np
from numpy.typing import NDArray

from forecaster.maths.arrays import Array, Paths
from forecaster.pack.battery import reported_percent
from forecaster.pack.chargeline import CHARGE_ACCEPTED, ChargeSteps

_ENDS_SHARE = 0.05
"""Below this share of charge the gauge's deviation fades to zero."""


@dataclass(frozen=True, slots=True)
class PackDraws:
    """Joint draws of the belief, arrays of shape (draws,).

    capacity_wh : energy from full to empty at the present temperature [Wh]
    efficiency : AC energy out over DC energy in, beyond idle, 0..1
    idle_w : the inverter's own draw [W]
    loads_w : mean power of other loads at the outlet [W]
    to_reserve_wh, to_empty_wh : DC energy to the reserve floor and to empty [Wh]; 0 when past it
    to_full_wh : DC energy to full [Wh]
    start : true share of charge at the begin of the discharge, 0..1
    stray_percent : (draws, 2) — how far the gauge strays from its bow now and at the floor [%]
    unheard : what the pump used while it was not heard, over what was estimated for it
    doubt : float — how much the gauge is doubted, 0..1; some of the draws are taken from the nameplate then
    """

    capacity_wh: Array
    efficiency: Array
    idle_w: Array
    loads_w: Array
    to_reserve_wh: Array
    to_empty_wh: Array
    to_full_wh: Array
    bow: Array
    skew: Array
    start: Array = field(default_factory=lambda: np.ones(1))
    stray_percent: Array = field(default_factory=lambda: np.zeros((1, 2)))
    unheard: Array = field(default_factory=lambda: np.ones(1))
    doubt: float = 0.0

    def taken(self, rows: NDArray[np.intp]) -> PackDraws:
        """These draws at some of their rows, (K,) of whole numbers; what is one for all of them stays."""
        each = {of.name: getattr(self, of.name) for of in fields(self)}
        count = self.capacity_wh.size
        chosen = {name: part[rows] for name, part in each.items() if np.ndim(part) and len(part) == count}
        return replace(self, **chosen)

    def charge_percent_after(self, drain_wh: Paths) -> Paths:
        """Reported charge, unrounded, after a drain [%]: (draws,) or (draws, T) Wh from now; never below 0.

        The gauge's deviation changes from its present value to that at the floor, and to zero at empty.
        """
        kind, wide = drain_wh.dtype, drain_wh.ndim == 2
        to_empty, capacity, to_reserve, bow, skew, now, there = (
            part.astype(kind)[:, None] if wide else part
            for part in (
                self.to_empty_wh, self.capacity_wh, self.to_reserve_wh, self.bow, self.skew,
                self.stray_percent[:, 0], self.stray_percent[:, 1],
            )
        )  # fmt: skip
        share, gone = (to_empty - drain_wh) * (1.0 / capacity), drain_wh * (1.0 / np.maximum(to_reserve, 1e-9))
        np.clip(share, 0.0, 1.0, out=share)
        np.clip(gone, 0.0, 1.0, out=gone)
        gone *= there - now
        gone += now
        gone *= np.minimum(share * (1.0 / _ENDS_SHARE), 1.0)
        gone += reported_percent(share, bow, skew)
        return np.clip(gone, 0.0, 100.0, out=gone)


@dataclass(slots=True)
class Discharge:
    """One discharge: what was counted since its beginning."""

    at_ms: int
    evidence: ChargeSteps = field(default_factory=ChargeSteps)
    plug_wh: float = 0.0
    loads_wh: float | None = None
    elapsed_h: float = 0.0
    charging_wh: float = 0.0
    charge_percent: float | None = None
    unheard_wh: float = 0.0

    def when_read(self) -> Discharge:
        """The counts at the time when the charge was last read."""
        return self._at(self.evidence.last)

    def when_changed(self) -> Discharge:
        """The counts at the last change of the charge that was kept; as they are now where there was none."""
        return self._at(self.evidence.rows[-1]) if self.evidence.rows else self

    def _at(self, row: Sequence[float]) -> Discharge:
        plug_wh, loads_wh, hours, charging_wh, unheard_wh = row
        return replace(
            self,
            plug_wh=plug_wh,
            loads_wh=None if math.isnan(loads_wh) else loads_wh,
            elapsed_h=hours,
            charging_wh=charging_wh,
            unheard_wh=unheard_wh,
        )

    def used_wh(self, cost: Array, idle_w: Array, loads_w: Array, unheard: Array) -> Array:
        """Net energy out of the battery so far under draws of the unknowns (draws,) [Wh]."""
        loads_wh = loads_w * self.elapsed_h if self.loads_wh is None else self.loads_wh
        outlet = self.plug_wh + loads_wh
        if self.unheard_wh > 0.0:
            outlet = outlet + unheard * self.unheard_wh
        return np.asarray(cost * outlet + idle_w * self.elapsed_h - CHARGE_ACCEPTED * self.charging_wh)
