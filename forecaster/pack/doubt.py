"""A pack that seems to hold far more or far less than its nameplate: the gauge may be wrong.

The counted energy over the nameplate's gives the share of charge that should be used; the gauge shows another one.
Where capacity, losses and idle together cannot explain the two, a share of the draws is computed from the nameplate,
using the gauge only at the start. A gauge that shows less used is more likely wrong. One that shows more used keeps the
greater weight, because packs age and the earlier end is the safer one, until it shows an empty pack that goes on.
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
from forecaster.pack.slope import by_slope, fallen_percent

DOUBTED_FROM, STEEPNESS = 2.8, 0.4
"""Deviations between gauge and nameplate at which the two are believed alike, and how fast that turns (common practice,
no source). With losses as well known as they mostly are, they are a capacity of 1.2 times the nameplate. It turns
slowly: gauges are wrong more often than a normal distribution of honest packs strays so far."""

_MOST, _LEAST = 0.92, 0.02
_LEAST_GONE = 0.05
"""The gauge always keeps some weight, since an expansion battery may have been added; a smaller weight of the nameplate
than the least counts as none; until this much of the charge is used nothing can be said."""

_MOST_DRAWS = 0.85
"""So large a share of the draws at most, so that the 10-90 % range still reaches to where the gauge puts the end."""

AGED_FROM, _AGED_STEEPNESS, _MOST_AGED = 1.7, 0.35, 0.35
"""The same of a gauge that shows more used than the nameplate does, by as many deviations the other way."""

_EMPTY_PERCENT, _GOES_ON = 1.0, 0.02
"""A pack that has given so large a share of its nameplate since the gauge showed it empty was not empty."""


def nameplate_weight(deviations: float) -> float:
    """Weight, 0..0.92, of the nameplate where the gauge is above it by a number of standard deviations."""
    return _weight((deviations - DOUBTED_FROM) / STEEPNESS, _MOST)


def unaged_weight(deviations: float) -> float:
    """Weight, 0..0.35, of the nameplate where the gauge is below it by a number of standard deviations."""
    return _weight((deviations - AGED_FROM) / _AGED_STEEPNESS, _MOST_AGED)


def _weight(over: float, most: float) -> float:
    weight = most / (1.0 + math.exp(-min(max(over, -50.0), 50.0)))
    return weight if weight >= _LEAST else 0.0


def _goes_on(now: Discharge, used: Array, at_empty: Array, capacity: Array) -> bool:
    """Whether the pack goes on though its gauge has shown it empty.

    used, at_empty, capacity : (draws,) — energy drawn by now and by when the gauge reached its lowest [Wh]
    """
    if now.charge_percent is None or now.charge_percent > _EMPTY_PERCENT:
        return False
    return median((used - at_empty) / capacity) > _GOES_ON


def _by_gauge_alone(drawn: PackDraws, now: Discharge, share: float, floor_percent: float, seed: int) -> PackDraws:
    """The draws of the gauge, a share of them, 0..1, taken from its slope: a compromise with the nameplate is wrong in
    either case, because one of the two is.
    """
    read = now.when_read()
    used_wh, read_wh = (
        counts.used_wh(1.0 / drawn.efficiency, drawn.idle_w, drawn.loads_w, drawn.unheard) for counts in (now, read)
    )
    count = drawn.capacity_wh.size
    if fallen_percent(now) <= 0.0:
        return drawn
    alone = (uniforms(seed + 9, count, 1)[:, 0] < share) & (read_wh > 0.0)
    return by_slope(drawn, now, alone, (read_wh, used_wh), np.ones(count), floor_percent, seed)


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
    unheard = np.exp(UNHEARD_SPREAD * z[:, SHARED])
    used = now.used_wh(cost, idle, drawn.loads_w, unheard)
    used += cost * math.sqrt(now.evidence.lump_wh * (now.plug_wh + now.evidence.lump_wh)) * z[:, SHARED + 1]
    apart = np.log(np.maximum(used, 0.01 * capacity) / capacity / gone)
    middle = float(apart.sum()) / count
    wide = math.sqrt(max(float(apart @ apart) / count - middle**2, 0.0))
    deviations = middle / max(wide, 1e-3)
    weight = min(nameplate_weight(deviations), _MOST_DRAWS) if deviations > 0.0 else unaged_weight(-deviations)
    if _goes_on(now, used, now.when_changed().used_wh(cost, idle, drawn.loads_w, unheard), capacity):
        weight = _MOST_DRAWS
    charge = drawn.start - used / capacity
    taken = (uniforms(seed + 6, count, 1)[:, 0] < weight) & (charge > 0.0)
    if deviations > 0.0 and weight > 0.0:
        drawn = _by_gauge_alone(drawn, now, weight / _MOST_DRAWS, floor_percent, seed)
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
