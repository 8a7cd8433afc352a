"""Draws of a pack from the posterior that the changes of its gauge leave.

What rests on the posterior and the shown charge alone is drawn once for all forecasts until the next change; only what
was counted since then is new each time.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from forecaster.maths.arrays import Array
from forecaster.maths.noise import normals, uniforms
from forecaster.pack.battery import charge_at
from forecaster.pack.chargeline import (
    BOW,
    CAPACITY,
    COST,
    HYPOTHESES,
    IDLE,
    LOADS,
    OF_ROUNDING,
    OF_SCALE,
    SKEW,
    START,
    UNHEARD,
    UNKNOWNS,
    Posterior,
)
from forecaster.pack.draws import Discharge, PackDraws
from forecaster.pack.slope import with_slope
from forecaster.pack.stray import MOST_PERCENT

_OWN_NUMBERS = 21
"""Added to the seed, so that the pack's unknowns have random numbers of their own."""

_BEYOND_STEP = 0.15
"""How far beyond half a step the unrounded charge may be from the shown one [steps]."""

_KEPT = 256
"""For how many posteriors the draws are kept, those used last: some 60 kB each."""


@dataclass(frozen=True, slots=True, eq=False)
class Unknowns:
    """Joint draws of the unknowns of one posterior, arrays of shape (draws,).

    capacity_wh, idle_w : capacity at 25 °C [Wh], and the inverter's own draw [W]
    cost : DC Wh for one AC Wh
    loads, unheard : factors on the listed loads, and on what was booked for the pump while it was not heard
    bow, skew, start : bends of the gauge as in `reported_percent`, and the true share of charge at the start, at most 1
    rounding : how far above the middle between two shown values the shown charge changes [steps]
    scale : scale of the gauge's stray
    stray : (draws, 2) — the gauge's stray now and at the floor [%]
    too_high : how much too high the gauge shows the charge now, because it set itself anew [%]
    """

    capacity_wh: Array
    cost: Array
    idle_w: Array
    loads: Array
    bow: Array
    skew: Array
    start: Array
    unheard: Array
    rounding: Array
    scale: Array
    stray: Array
    too_high: Array


@dataclass(frozen=True, slots=True)
class Shown:
    """What the gauge shows, and the charge that is to be left.

    charge_percent : float | None — reported charge [%], 0..100; None: nothing reports it
    step_percent, floor_percent : float — step of the reported charge, and the reserve floor [%]
    """

    charge_percent: float | None
    step_percent: float
    floor_percent: float


@lru_cache(maxsize=_KEPT)
def unknowns(known: Posterior, seed: int, draws: int) -> Unknowns:
    """Joint draws of all unknowns from a posterior, the same again for the same seed. draws : int — how many"""
    z = normals(seed + _OWN_NUMBERS, draws, UNKNOWNS + 2)
    edges = np.cumsum(known.weight)
    pick = np.minimum(np.searchsorted(edges, uniforms(seed + 1, draws, 1)[:, 0] * edges[-1]), edges.size - 1)
    root = np.linalg.cholesky(known.covariance)
    away = np.einsum("mij,mj->mi", root[pick], z[:, :UNKNOWNS])
    stray = known.stray[pick] - np.einsum("mij,mj->mi", known.stray_slope[pick], away)
    stray = stray + np.einsum("mij,mj->mi", known.stray_root[pick], z[:, UNKNOWNS:])
    theta = np.ascontiguousarray((known.mean[pick] + away).T)
    return Unknowns(
        capacity_wh=np.exp(theta[CAPACITY]),
        cost=np.exp(theta[COST]),
        idle_w=np.exp(theta[IDLE]),
        loads=np.exp(theta[LOADS]),
        bow=np.clip(theta[BOW], -0.5, 0.5),
        skew=np.clip(theta[SKEW], -0.2, 0.2),
        start=np.minimum(theta[START], 1.0),
        unheard=np.exp(theta[UNHEARD]),
        rounding=OF_ROUNDING[pick % HYPOTHESES],
        scale=OF_SCALE[pick % HYPOTHESES],
        stray=np.clip(stray, -MOST_PERCENT, MOST_PERCENT),
        too_high=known.too_high_percent[pick],
    )


@lru_cache(maxsize=_KEPT)
def _bounds(drawn: Unknowns, shown: Shown) -> Array:
    """True share of charge at the reserve floor, and at the lowest and highest charge that would be shown like this,
    0..1: shape (3, draws), or (1, draws) where no charge is reported.
    """
    asked = [np.maximum(shown.floor_percent - drawn.stray[:, 1], 0.0)]
    if shown.charge_percent is not None:
        middle = shown.charge_percent - drawn.too_high + drawn.rounding * shown.step_percent - drawn.stray[:, 0]
        half = shown.step_percent * (0.5 + _BEYOND_STEP)
        asked += [middle - half, middle + half]
    return charge_at(np.stack(asked), drawn.bow, drawn.skew)


def by_gauge(
    drawn: Unknowns, shown: Shown, now: Discharge, read: Discharge, listed_w: float, factor: float, seed: int
) -> PackDraws:
    """Draws of the pack now: the unknowns with what was counted, held to the charge that the gauge last showed.

    now, read : Discharge — what has been counted by now, and what had been when the charge was last read
    listed_w : float — mean power of the listed loads [W]
    factor : float — capacity at the present temperature over that at 25 °C
    """
    capacity, cost, idle = drawn.capacity_wh * factor, drawn.cost, drawn.idle_w
    loads_w = drawn.loads * listed_w
    now_wh = now.used_wh(cost, idle, loads_w, drawn.unheard)
    then_wh = now_wh if read is now else read.used_wh(cost, idle, loads_w, drawn.unheard)
    floor, *held = _bounds(drawn, shown)
    charge = np.minimum(np.maximum(drawn.start - then_wh / capacity, 0.0), 1.0)
    if held:
        charge = np.minimum(np.maximum(charge, held[0]), held[1])
    if read is not now:
        charge = np.minimum(np.maximum(charge - (now_wh - then_wh) / capacity, 0.0), 1.0)
    to_empty = charge * capacity
    pack = PackDraws(
        capacity_wh=capacity,
        efficiency=1.0 / cost,
        idle_w=idle,
        loads_w=loads_w,
        to_reserve_wh=np.maximum(charge - floor, 0.0) * capacity,
        to_empty_wh=to_empty,
        to_full_wh=capacity - to_empty,
        bow=drawn.bow,
        skew=drawn.skew,
        start=drawn.start,
        stray_percent=drawn.stray + drawn.too_high[:, None],
        unheard=drawn.unheard,
    )
    return with_slope(pack, now, then_wh, now_wh, drawn.scale, shown.floor_percent, seed)
