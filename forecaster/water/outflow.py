"""Draws of the pump's energy ahead from a bank of filters: candidate, state, the rain that falls, the wobble's path."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import NDArray

from forecaster.maths.arrays import Array, Single, rises_along
from forecaster.maths.noise import normals, uniforms, wobble_modes
from forecaster.water.recession import BASE, GAINS, RAIN, SHARE_SPREAD, SHARES, STORES, WOBBLE, Bank
from forecaster.water.storms import STORM_H

MODES = 10
"""Components of the wobble's path ahead."""

SLOW_WOBBLE, SLOW_WOBBLE_H = 0.02, 14.0
"""Wobble too slow to be learnt in a day: relative size, correlation time [h] (common practice, no source)."""

STORM_H_SPREAD = 0.4
"""Standard deviation of the log of the mean time that a storm lasts."""

_MOST_EXPONENT = 80.0
"""Greatest exponent that single precision takes. Rain that lasts for this many time constants does not occur."""

_KEPT = 128
"""For how many banks the draws are kept, those used last: some 200 kB each."""


@dataclass(frozen=True, slots=True)
class Raining:
    """Rain that falls at a bank's time, in single precision; it ends when it is drawn to.

    rows : (n,) — the draws in which it rains
    ends_h, power_w : (n, 1) — when it ends [h], and what it would come to if it lasted for ever [W]
    held_wh, ended_wh : (n, S) — what the reservoirs of each time constant would hold if it lasted for ever [Wh], and
        the same times exp(ends_h / tau); whole_wh : (n, 1) — what they would hold together
    """

    rows: NDArray[np.intp]
    ends_h: Single
    power_w: Single
    held_wh: Single
    ended_wh: Single
    whole_wh: Single

    def given_wh(self, since_h: Array, scales_h: Array) -> Single:
        """What it has given by times since the bank's [h], (n, T) [Wh]: the difference of two `filled_h`, its
        exponentials shared by all draws of one time constant.
        """
        since = since_h.astype(np.float32)
        decay = np.exp(-since_h / scales_h[:, None]).astype(np.float32)
        stopped = self.ended_wh @ decay
        np.copyto(stopped, self.whole_wh, where=since <= self.ends_h)
        given: Single = np.minimum(since, self.ends_h)
        given *= self.power_w
        given += self.held_wh @ decay
        given -= stopped
        return given


class Draws:
    """Joint draws of candidate and state of a bank, `draws` of them, at the time up to which the bank has come.

    base, stores, rain_w : (draws,), (draws, 3), (draws,) — base, reservoirs and rain that nobody measured [W]
    now : (draws,) — the wobble as a share of the level; gains : (draws, 3) | None — the bank's gains [W per mm/h]
    usual_h : the three time constants nearest to the bank's mean [h]
    """

    def __init__(self, bank: Bank, seed: int, draws: int) -> None:
        self.seed, self.draws = seed, draws
        c = bank.candidates
        edges = np.cumsum(bank.weights)
        pick = np.minimum(np.searchsorted(edges, uniforms(seed, draws, 1)[:, 0] * edges[-1]), c.count - 1)
        n = bank.mean.shape[1]
        z = normals(seed + 1, draws, 9 + 2 * MODES + 5)
        used = np.bincount(pick, minlength=c.count) > 0
        root = _roots(bank.covariance[used])[np.cumsum(used)[pick] - 1]
        state = np.ascontiguousarray((bank.mean[pick] + (root @ z[:, :n, None])[:, :, 0]).T)
        total = np.maximum(state[:WOBBLE].sum(axis=0), 0.05 * max(bank.level_w, 1e-9))
        parts = np.maximum(state[:WOBBLE], 0.0)
        parts *= total / np.maximum(parts.sum(axis=0), 1e-12)
        self.base, self.stores = parts[BASE], parts[STORES].T
        self.now = state[WOBBLE] / total
        self.rain_w = np.maximum(state[RAIN], 0.0)
        self.gains = np.maximum(state[GAINS], 0.0).T if n == 9 else None
        self.tau_h, self.wobble, self.wobble_h = c.tau_h[pick], c.wobble[pick], c.wobble_h[pick]
        self.scales_h, self.place = c.scales_h, c.scale[pick]
        self.wobbles_h, self.which = c.wobbles_h, c.which[pick]
        self.holds_wh = np.column_stack([self.by_scale(self.stores * self.tau_h), self.base]).astype(np.float32)
        middle = np.exp(bank.weights @ np.log(c.tau_h))
        self.usual_h = tuple(_nearest(c.tau_h[:, k], float(middle[k])) for k in range(3))
        self.z = z[:, 9 : 9 + 2 * MODES]
        shares = SHARES[:, None] * np.exp(SHARE_SPREAD * z[:, 9 + 2 * MODES : 12 + 2 * MODES].T)
        self.shares = (shares / shares.sum(axis=0)).T
        self.storm_h = STORM_H * np.exp(STORM_H_SPREAD * z[:, 12 + 2 * MODES])
        self.ends = -self.storm_h * np.log(uniforms(seed + 2, draws, 1)[:, 0])

    def level_w(self, lag_h: float) -> Array:
        """Mean power without new rain [W], (draws,). lag_h : float — how long after the bank's time [h]"""
        level = self.base + np.sum(self.stores * np.exp(-lag_h / self.tau_h), axis=1)
        return np.asarray(level * np.maximum(0.0, 1.0 + self.now * np.exp(-lag_h / self.wobble_h)), dtype=np.float64)

    def falling_wh(self, ahead_h: Array, lag_h: float) -> Single:
        """Energy of water that is already there, from each time ahead to the next [Wh], (draws, T - 1), without wobble.

        ahead_h : (T,) — times ahead [h], rising; lag_h : float — from the bank's time to the first of them [h]
        """
        shapes = np.vstack([-np.exp(-(lag_h + ahead_h) / self.scales_h[:, None]), ahead_h])
        return np.asarray(self.holds_wh @ rises_along(shapes).astype(np.float32))

    def add_raining_wh(self, rises: Single, ahead_h: Array, lag_h: float, measured_mm_per_h: float | None) -> None:
        """Add the energy of rain that falls now, and ends by chance, to the rises.

        rises : (draws, T - 1) — energy from each time ahead to the next [Wh], changed in place
        measured_mm_per_h : float | None — the rain by a gauge [mm/h]; None: as the bank infers it from the pump
        """
        if measured_mm_per_h is not None and self.gains is not None:
            rain = self._raining(self.gains * measured_mm_per_h)
        else:
            rain = self._unmeasured
        if rain.rows.size:
            rises[rain.rows] += rises_along(rain.given_wh(ahead_h + lag_h, self.scales_h))

    @cached_property
    def _unmeasured(self) -> Raining:
        return self._raining(self.shares * self.rain_w[:, None])

    def _raining(self, fills_w: Array) -> Raining:
        """Rain that falls now. fills_w : (draws, 3) — what it would come to in each reservoir [W]"""
        power_w, single = fills_w.sum(axis=1), np.float32
        rows = np.flatnonzero(power_w > 0.01 * (self.base + self.stores.sum(axis=1)))
        ends_h = self.ends[rows, None].astype(single)
        held_wh = self.by_scale(fills_w[rows] * self.tau_h[rows], rows).astype(single)
        lasted = np.exp(np.minimum(ends_h / self.scales_h.astype(single), single(_MOST_EXPONENT)))
        whole_wh = held_wh.sum(axis=1)[:, None]
        return Raining(rows, ends_h, power_w[rows, None].astype(single), held_wh, held_wh * lasted, whole_wh)

    def add_arrived_wh(self, rises: Single, ahead_h: Array, depth_mm: float) -> None:
        """Add the energy of measured rain that has just reached the reservoirs to the rises; nothing without gains.

        rises : (draws, T - 1) — energy from each time ahead to the next [Wh], changed in place
        depth_mm : float — depth of that rain [mm]
        """
        if self.gains is not None and depth_mm > 0.0:
            self.add_shapes(rises, self.gains * depth_mm, -np.exp(-ahead_h / self.scales_h[:, None]))

    def add_shapes(self, rises: Single, amount: Array, shapes: Array) -> None:
        """Add the reservoirs' amounts, each times the path of its time constant, to the rises.

        rises : (draws, T - 1) — energy from each time ahead to the next [Wh], changed in place
        amount : (draws, 3) — amount of each reservoir; shapes : (S, T) — path of each time constant at the times ahead
        """
        rises += self.by_scale(amount).astype(np.float32) @ rises_along(shapes).astype(np.float32)

    def wobble_factor(self, ahead_h: Array, lag_h: float, points: int) -> Single:
        """The wobble as factors on the rises between the first `points` times ahead, (draws, points - 1), at least 0.

        ahead_h : (all,) — every time ahead [h], also those after `points`: the wobble's modes are made for all of them
        lag_h : float — from the bank's time to the first of them [h]
        """
        shapes = _wobble_shapes(tuple(ahead_h.tolist()), tuple(self.wobbles_h.tolist()))[:, : points - 1]
        weight = self._wobble_weights.copy()
        fading = MODES + self.which * (MODES + 1) + MODES
        weight[np.arange(self.draws), fading] = self.now * np.exp(-lag_h / self.wobble_h)
        factor = weight @ shapes
        return np.clip(factor, 0.0, np.inf, out=factor)

    @cached_property
    def _wobble_weights(self) -> Single:
        """Weights of the paths of `_wobble_shapes`, without that of how the present wobble fades."""
        weight = np.zeros((self.draws, MODES + self.wobbles_h.size * (MODES + 1) + 1), dtype=np.float32)
        weight[:, :MODES] = self.z[:, MODES:]
        weight[:, -1] = 1.0
        own = weight[:, MODES:-1].reshape(self.draws, self.wobbles_h.size, MODES + 1)
        own[np.arange(self.draws), self.which, :MODES] = self.wobble[:, None] * self.z[:, :MODES]
        return weight

    def by_scale(self, amount: Array, rows: NDArray[np.intp] | None = None) -> Array:
        """Amounts of the reservoirs (draws, 3), summed by their time constants: (draws, S).

        rows : (n,) | None — which draws the amounts belong to; None: all
        """
        place = self.place if rows is None else self.place[rows]
        shape = amount.shape[0], self.scales_h.size
        spots = np.arange(shape[0])[:, None] * shape[1] + place
        summed = np.bincount(spots.ravel(), amount.ravel(), shape[0] * shape[1])
        return np.asarray(summed, dtype=np.float64).reshape(shape)


def _nearest(values: Array, wanted: float) -> float:
    """The value of the grid nearest on a log scale."""
    return float(values[np.argmin(np.abs(np.log(values / wanted)))])


@lru_cache(maxsize=64)
def _wobble_shapes(ahead_h: tuple[float, ...], wobbles_h: tuple[float, ...]) -> Single:
    """Paths between the times ahead that a wobble is made of, in single precision, read-only: the slow one's modes,
    then for each correlation time its modes and how the present wobble fades, and last a level of one.
    """
    times = np.asarray(ahead_h)
    middle = (times[1:] + times[:-1]) / 2.0
    every = tuple(middle.tolist())
    shapes = [SLOW_WOBBLE * wobble_modes(every, SLOW_WOBBLE_H, MODES)]
    for tau_h in wobbles_h:
        shapes += [wobble_modes(every, tau_h, MODES), np.exp(-middle / tau_h)[None, :]]
    single: Single = np.vstack([*shapes, np.ones((1, middle.size))]).astype(np.float32)
    single.setflags(write=False)
    return single


@lru_cache(maxsize=_KEPT)
def drawn_from(bank: Bank, seed: int, draws: int) -> Draws:
    """The draws of a bank, made only once; a bank that has been drawn from must not change any more."""
    return Draws(bank, seed, draws)


def _roots(covariance: Array) -> Array:
    """Square roots of covariances (k, n, n); tiny negative eigenvalues of rounding are taken as zero."""
    values, vectors = np.linalg.eigh(covariance)
    return np.asarray(vectors * np.sqrt(np.maximum(values, 0.0))[:, None, :], dtype=np.float64)
