"""First passage to the reserve floor: draws of cumulative drain to hours remaining, quantiles and survival."""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from forecaster.domain.forecast import HORIZON_H, LEVELS, Quantiles, SurvivalPoint
from forecaster.domain.times import HOUR_MS
from forecaster.maths.arrays import Array, Paths, peaks_along
from forecaster.pack.draws import PackDraws

GRID_POINTS = 128
"""Points ahead."""

_BEND_H = 8.0
"""Where the grid ahead changes from even to geometric steps [h]: from a quarter hour at first to 8 h at two weeks."""


@lru_cache(maxsize=8)
def ahead_grid_s(horizon_h: float = HORIZON_H, points: int = GRID_POINTS) -> Array:
    """Times ahead [s], shape (points,), from 0 to the horizon: fine near, coarse far. Read-only."""
    u = np.linspace(0.0, 1.0, points)
    hours: Array = _BEND_H * np.expm1(u * np.log1p(horizon_h / _BEND_H))
    grid: Array = hours * 3600.0
    grid.setflags(write=False)
    return grid


_NEVER_H = 1e9
"""Represents "never" where quantiles are interpolated: far beyond any horizon [h]."""


def cumulative_drain_wh(pump_wh: Paths, pack: PackDraws, ahead_s: Array, charging_wh: Array | None = None) -> Paths:
    """Energy drawn from the battery ahead [Wh], shape (draws, T), net of charging.

    pump_wh : (draws, T) — cumulative pump energy at the plug ahead [Wh]
    pack : PackDraws — beliefs about inverter, idle, other loads and room to full, (draws,) each
    charging_wh : (draws, T) | None — cumulative energy into the battery ahead [Wh]

    A full pack takes no more, so energy that would charge it above full is not counted (reflection at full, the
    discrete Skorokhod map: the overflow up to t is the greatest excess up to t).
    """
    kind = pump_wh.dtype
    cost, steady_w = 1.0 / pack.efficiency, pack.loads_w / pack.efficiency + pack.idle_w
    drain = pump_wh * cost[:, None].astype(kind)
    drain += ((ahead_s / 3600.0).astype(kind)[:, None] * steady_w.astype(kind)).T
    return less_charged_wh(drain, pack, charging_wh)


def less_charged_wh(drain: Paths, pack: PackDraws, charging_wh: Array | None) -> Paths:
    """A drain net of charging; the argument is changed. The arguments are those of `cumulative_drain_wh`."""
    if charging_wh is None:
        return drain
    kind = drain.dtype
    drain -= charging_wh
    over = np.negative(drain)
    over -= pack.to_full_wh[:, None].astype(kind)
    np.maximum(over, 0.0, out=over)
    drain += peaks_along(over)
    return drain


def points_needed(pack: PackDraws, ahead_s: Array, pump_w: float = 0.0) -> int:
    """How many points of a grid ahead hold every draw's passage to empty, if the pump's mean power stays above pump_w.

    The inverter's own draw and the other loads alone empty a pack that is not charged. All points are needed where
    they do not within the grid.
    """
    least_w = pack.idle_w + (pack.loads_w + pump_w) / pack.efficiency
    longest_h = float((pack.to_empty_wh / least_w).max()) if least_w.min() > 0.0 else math.inf
    return min(int(np.searchsorted(ahead_s, longest_h * 3600.0)) + 2, ahead_s.size)


def first_passage(cumulative_wh: Paths, budget_wh: Array, ahead_s: Array) -> Array:
    """Hours until each draw's drain first reaches its budget [h], shape (draws,); inf where it never does on the grid.

    cumulative_wh : (draws, T) — cumulative drain, 0 at ahead_s[0] = 0; may fall while charging
    budget_wh : (draws,) — energy to the floor [Wh]; 0 or less: passage is now

    Running maximum, then linear between grid points.
    """
    return np.asarray(passages_of_peak(running_peak(cumulative_wh), budget_wh[None], ahead_s)[0])


def running_peak(cumulative_wh: Paths) -> Paths:
    """The greatest drain of each draw so far, (draws, T); the argument itself where it never falls."""
    falls = bool((cumulative_wh[:, 1:] < cumulative_wh[:, :-1]).any())
    return peaks_along(cumulative_wh) if falls else cumulative_wh


def passages_of_peak(peak: Paths, budgets_wh: Array, ahead_s: Array) -> Array:
    """`first_passage` of a drain's running peak, for several budgets of each draw: (N, draws) of (N, draws)."""
    budgets = np.maximum(budgets_wh, 0.0)
    index = np.stack([_times_below(peak, budget) for budget in budgets])
    reached = index < ahead_s.size
    after = np.minimum(index, ahead_s.size - 1)
    before = np.maximum(after - 1, 0)
    draws, by_time = np.arange(peak.shape[0]), peak.T.ravel()  # paths are laid out by columns: nothing is copied
    low, high = (by_time[place * draws.size + draws].astype(np.float64) for place in (before, after))
    share = np.minimum(np.maximum((budgets - low) / np.maximum(high - low, 1e-12), 0.0), 1.0)
    hours = (ahead_s[before] + share * (ahead_s[after] - ahead_s[before])) / 3600.0
    return np.where(reached, hours, np.inf)


def _times_below(peak: Paths, budget_wh: Array) -> NDArray[np.intp]:
    """At how many of the times the peak of each draw, which never falls, is below its budget."""
    below = peak < budget_wh[:, None].astype(peak.dtype)
    return np.asarray(np.add.reduce(below, axis=1, dtype=np.int16), dtype=np.intp)


def quantiles(hours: Array, horizon_h: float = HORIZON_H, levels: Sequence[float] = LEVELS) -> Quantiles:
    """Quantiles of hours remaining; None beyond the horizon.

    hours : (draws,) — equally likely times [h], inf for never
    """
    ordered = np.sort(np.minimum(hours, _NEVER_H))
    before, after, share = _places(tuple(levels), ordered.size)
    values = ordered[before] + share * (ordered[after] - ordered[before])
    return Quantiles(*(v if v <= horizon_h else None for v in values.tolist()))


@lru_cache(maxsize=64)
def _places(levels: tuple[float, ...], count: int) -> tuple[NDArray[np.intp], NDArray[np.intp], Array]:
    """Between which two of so many sorted draws each level lies, and how far from the first to the second, 0..1."""
    spot = np.clip(np.asarray(levels) * count - 0.5, 0.0, count - 1.0)
    before = spot.astype(np.intp)
    return before, np.minimum(before + 1, count - 1), spot - before


def survival_at(hours: Array, ahead_h: float) -> float:
    """Probability, 0..1, that the floor is not reached within `ahead_h` [h]."""
    return int(np.count_nonzero(hours > ahead_h)) / hours.size


def survival(hours: Array, now_ms: int, horizon_h: float = HORIZON_H) -> tuple[SurvivalPoint, ...]:
    """Survival by the hour, up to the hour after it falls below one in a thousand, at most to the horizon."""
    ordered = np.sort(hours)
    last = int(min(horizon_h, np.ceil(ordered[-1]) + 1.0)) if ordered[-1] <= horizon_h else int(horizon_h)
    ahead = np.arange(1, last + 1)
    alive = 1.0 - ordered.searchsorted(ahead, side="right") / hours.size
    return tuple(map(SurvivalPoint, (now_ms + ahead * HOUR_MS).tolist(), alive.tolist()))


def never_probability(hours: Array, horizon_h: float = HORIZON_H) -> float:
    """Probability, 0..1, that the floor is not reached within the horizon."""
    return survival_at(hours, horizon_h)
