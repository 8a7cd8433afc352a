"""The present slope of the charge over the energy drawn, as one of the voices of the belief.

Where the shown charge does not follow a smooth line, what bent it above says little of it below, and a fit through its
bends puts them down to the pack. What is left then is the plain proportion: so much energy for so many percent shown,
and as much again for each that is still to come. It is off by how far such a gauge strays over the part that it has
shown and over the part ahead; nobody tells which, so a share of the draws of a rough gauge is taken from it.
"""

from __future__ import annotations

import math
from dataclasses import replace
from operator import sub

import numpy as np
from numpy.typing import NDArray

from forecaster.maths.arrays import Array
from forecaster.maths.noise import normals, uniforms
from forecaster.pack.draws import Discharge, PackDraws
from forecaster.pack.stray import stray_between

_VOICE = 0.9
"""Share of the draws of a rough gauge that are taken from the slope where much of the charge has been shown."""

_HALF_PERCENT = 4.0
"""Percents shown at which the slope has half of that share: before that it is mostly a step's rounding."""

_ROUGH = 2.0
"""Scale of the gauge's stray from which it counts as rough."""

_LEAST_SHARE = 0.3
"""The fall shown is never taken for less than this share of itself, however far the gauge may have strayed."""

SANE = math.log(3.0)
"""A slope that would make the pack three times as large, or a third, is none yet: a step or a dip in no time."""

_LEAP_PERCENT = 2.5
"""A gauge that rises by more at once has set itself anew: what it fell before says nothing of what it shows now."""


def with_slope(
    drawn: PackDraws, now: Discharge, read_wh: Array, now_wh: Array, scale: Array, floor_percent: float, seed: int
) -> PackDraws:
    """The draws with those of a rough gauge partly taken from the slope of the charge.

    read_wh, now_wh : (draws,) — energy drawn from the battery until the charge was last read, and until now [Wh]
    scale : (draws,) — of the gauge's stray
    """
    fallen = fallen_percent(now)
    if fallen <= 0.0:
        return drawn
    voice = _VOICE * fallen / (fallen + _HALF_PERCENT)
    taken = (scale >= _ROUGH) & (uniforms(seed + 7, scale.size, 1)[:, 0] < voice) & (read_wh > 0.0)
    return by_slope(drawn, now, taken, (read_wh, now_wh), scale, floor_percent, seed)


def fallen_percent(now: Discharge) -> float:
    """How far the charge has been shown to fall in this discharge [%]; 0 where it is not reported, or jumped."""
    shown, start = now.charge_percent, now.evidence.start_percent
    return 0.0 if shown is None or start is None or _leapt(now) else max(start - shown, 0.0)


def by_slope(
    drawn: PackDraws,
    now: Discharge,
    taken: NDArray[np.bool_],
    used_wh: tuple[Array, Array],
    scale: Array,
    floor_percent: float,
    seed: int,
    losses: tuple[Array, Array] | None = None,
) -> PackDraws:
    """The draws with some of them taken from the slope of a charge that has fallen.

    taken : (draws,) — which
    used_wh : energy drawn from the battery until the charge was last read, and until now, (draws,) each [Wh]
    scale : (draws,) — of the gauge's stray
    losses : DC Wh for one AC Wh and the inverter's own draw [W], (draws,) each, by which used_wh was reckoned; None:
        the draws' own. They go with the slope: a draw that is not taken keeps what its capacity was fitted with
    """
    shown, start = now.charge_percent, now.evidence.start_percent
    if shown is None or start is None or not taken.any():
        return drawn
    read_wh, now_wh = used_wh
    fallen, left = fallen_percent(now), max(shown - floor_percent, 0.0)
    z = normals(seed + 8, scale.size, 2)
    fell = np.maximum(fallen + scale * stray_between(fallen) * z[:, 0], _LEAST_SHARE * fallen)
    ahead = np.maximum(left + scale * stray_between(left) * z[:, 1], 0.0)
    each_wh = np.maximum(read_wh, 1e-6) / fell
    since_wh = now_wh - read_wh
    to_reserve = np.maximum(each_wh * ahead - since_wh, 0.0)
    to_empty = np.maximum(each_wh * (ahead + shown - left) - since_wh, 0.0)
    capacity = 100.0 * each_wh
    taken = taken & (np.abs(np.log(capacity / drawn.capacity_wh)) < SANE)
    cost, idle_w = losses or (1.0 / drawn.efficiency, drawn.idle_w)
    return replace(
        drawn,
        capacity_wh=np.where(taken, capacity, drawn.capacity_wh),
        efficiency=np.where(taken, 1.0 / cost, drawn.efficiency),
        idle_w=np.where(taken, idle_w, drawn.idle_w),
        to_reserve_wh=np.where(taken, to_reserve, drawn.to_reserve_wh),
        to_empty_wh=np.where(taken, to_empty, drawn.to_empty_wh),
        to_full_wh=np.where(taken, np.maximum(capacity - to_empty, 0.0), drawn.to_full_wh),
        bow=np.where(taken, 0.0, drawn.bow),
        skew=np.where(taken, 0.0, drawn.skew),
        start=np.where(taken, start / 100.0, drawn.start),
        stray_percent=np.where(taken[:, None], 0.0, drawn.stray_percent),
    )


def _leapt(now: Discharge) -> bool:
    shown = [now.evidence.start_percent or 0.0, *now.evidence.edges]
    return max(map(sub, shown[1:], shown), default=0.0) > _LEAP_PERCENT
