"""A pack that would hold far more than its nameplate: rather the gauge is wrong than the pack a wonder.

What was counted, over what the nameplate holds, tells the share of charge that should be gone; the gauge tells another.
Where it shows less gone than capacity, losses and idle can explain between them, a share of the draws is reckoned from
the nameplate, and the gauge has no say in them but at the start. A gauge that shows more gone is believed: packs age.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from forecaster.maths.arrays import Array
from forecaster.maths.noise import normals, uniforms
from forecaster.pack.chargeline import CAPACITY, COST, IDLE, SHARED, UNHEARD_SPREAD
from forecaster.pack.draws import Discharge, PackDraws

DOUBTED_FROM, STEEPNESS = 3.0, 0.35
"""Deviations between gauge and nameplate at which the two are believed alike, and how fast that turns (common practice,
no source). With losses as well known as they mostly are, three are a capacity of 1.25 times the nameplate."""

_MOST, _LEAST = 0.92, 0.02
_LEAST_GONE = 0.05
"""The gauge keeps a voice, for an expansion battery may have been added; less doubt than the least is none; before so
much of the charge is gone nothing can be told."""


def nameplate_weight(deviations: float) -> float:
    """Weight, 0..0.92, of reckoning from the nameplate where the gauge is so many deviations above it."""
    over = (deviations - DOUBTED_FROM) / STEEPNESS
    weight = _MOST / (1.0 + math.exp(-min(max(over, -50.0), 50.0)))
    return weight if weight >= _LEAST else 0.0


def doubted(
    drawn: PackDraws, now: Discharge, plate: tuple[Array, Array], factor: float, floor_percent: float, seed: int
) -> PackDraws:
    """The draws with a share of them reckoned from the nameplate.

    plate : mean (6,) and covariance (6, 6) of the belief before anything was measured
    factor : float — capacity at the present temperature over that at 25 °C

    Runs that are caught by chance count as lumps, and their sum strays like the root of their number.
    Where the nameplate's energy would be gone by now the pack itself has refuted it: those draws stay with the gauge.
    """
    gone = float(np.median(drawn.start - drawn.to_empty_wh / drawn.capacity_wh))
    if gone < _LEAST_GONE:
        return drawn
    count = drawn.capacity_wh.size
    z = normals(seed + 5, count, SHARED + 2)
    theta = plate[0] + z[:, :SHARED] * np.sqrt(np.diagonal(plate[1]))
    capacity, cost, idle = (np.exp(theta[:, column]) for column in (CAPACITY, COST, IDLE))
    capacity = capacity * factor
    used = now.used_wh(cost, idle, drawn.loads_w, np.exp(UNHEARD_SPREAD * z[:, SHARED]))
    used += cost * math.sqrt(now.evidence.lump_wh * (now.plug_wh + now.evidence.lump_wh)) * z[:, SHARED + 1]
    apart = np.log(np.maximum(used, 0.01 * capacity) / capacity / gone)
    weight = nameplate_weight(float(apart.mean() / max(apart.std(), 1e-3)))
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
