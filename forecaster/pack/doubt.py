"""A pack that seems to hold far more than its nameplate: the gauge is more likely to be wrong.

The counted energy over the nameplate's gives the share of charge that should be used; the gauge shows another one.
Where the gauge shows less used than capacity, losses and idle can explain together, a share of the draws is computed
from the nameplate, using the gauge only at the start. A gauge that shows more used is believed, because packs age.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from forecaster.maths.arrays import Array
from forecaster.maths.noise import normals, uniforms
from forecaster.maths.ranks import median
from forecaster.pack.chargeline import CAPACITY, COST, IDLE, SHARED, UNHEARD_SPREAD
from forecaster.pack.draws import Discharge, PackDraws

DOUBTED_FROM, STEEPNESS = 3.0, 0.35
"""Deviations between gauge and nameplate at which the two are believed alike, and how fast that turns (common practice,
no source). With losses as well known as they mostly are, three are a capacity of 1.25 times the nameplate."""

_MOST, _LEAST = 0.92, 0.02
_LEAST_GONE = 0.05
"""The gauge always keeps some weight, since an expansion battery may have been added; a smaller weight of the nameplate
than the least counts as none; until this much of the charge is used nothing can be said."""


def nameplate_weight(deviations: float) -> float:
    """Weight, 0..0.92, of the nameplate where the gauge is above it by a number of standard deviations."""
    over = (deviations - DOUBTED_FROM) / STEEPNESS
    weight = _MOST / (1.0 + math.exp(-min(max(over, -50.0), 50.0)))
    return weight if weight >= _LEAST else 0.0


def doubted(
    drawn: PackDraws, now: Discharge, plate: tuple[Array, Array], factor: float, floor_percent: float, seed: int
) -> PackDraws:
    """The draws, with a share of them computed from the nameplate.

    plate : mean (6,) and covariance (6, 6) of the belief before anything was measured
    factor : float — capacity at the present temperature over that at 25 °C

    Runs that are caught by chance count as lumps, and the error of their sum grows like the root of their number.
    Where the nameplate's energy would already be used up, the pack has refuted it: those draws keep the gauge.
    """
    gone = median(drawn.start - drawn.to_empty_wh / drawn.capacity_wh)
    if gone < _LEAST_GONE:
        return drawn
    count = drawn.capacity_wh.size
    z = normals(seed + 5, count, SHARED + 2)
    spread = np.sqrt(np.diagonal(plate[1]))
    capacity, cost, idle = (np.exp(plate[0][of] + spread[of] * z[:, of]) for of in (CAPACITY, COST, IDLE))
    capacity = capacity * factor
    used = now.used_wh(cost, idle, drawn.loads_w, np.exp(UNHEARD_SPREAD * z[:, SHARED]))
    used += cost * math.sqrt(now.evidence.lump_wh * (now.plug_wh + now.evidence.lump_wh)) * z[:, SHARED + 1]
    apart = np.log(np.maximum(used, 0.01 * capacity) / capacity / gone)
    middle = float(apart.sum()) / count
    wide = math.sqrt(max(float(apart @ apart) / count - middle**2, 0.0))
    weight = nameplate_weight(middle / max(wide, 1e-3))
    charge = drawn.start - used / capacity
    taken = (uniforms(seed + 6, count, 1)[:, 0] < weight) & (charge > 0.0)
    if not taken.any():
        return drawn
    return replace(
        drawn,
        capacity_wh=np.where(taken, capacity, drawn.capacity_wh),
        efficiency=np.where(taken, 1.0 / cost, drawn.efficiency),
        idle_w=np.where(taken, idle, drawn.idle_w),
        to_reserve_wh=np.where(taken, np.maximum(charge - floor_percent / 100.0, 0.0) * capacity, drawn.to_reserve_wh),
        to_empty_wh=np.where(taken, charge * capacity, drawn.to_empty_wh),
        to_full_wh=np.where(taken, (1.0 - charge) * capacity, drawn.to_full_wh),
        doubt=weight,
    )
