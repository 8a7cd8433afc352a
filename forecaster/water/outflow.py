"""Draws of the pump's energy ahead from a bank of filters: candidate, state, the rain that falls, the wobble's path."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from forecaster.maths.arrays import Array
from forecaster.maths.noise import normals, uniforms, wobble_modes
from forecaster.water.recession import BASE, GAINS, RAIN, SHARE_SPREAD, SHARES, STORES, WOBBLE, Bank
from forecaster.water.storms import STORM_H

MODES = 10
"""Components of the wobble's path ahead."""

SLOW_WOBBLE, SLOW_WOBBLE_H = 0.02, 14.0
"""Wobble too slow to be learnt in a day: relative size, correlation time [h] (common practice, no source)."""

STORM_H_SPREAD = 0.4

_MOST_EXPONENT = 600.0


class Draws:
    """`draws` joint draws of candidate and state of a bank, at the time the bank stands at."""

    def __init__(self, bank: Bank, seed: int, draws: int) -> None:
        self.seed, self.draws = seed, draws
        c = bank.candidates
        edges = np.cumsum(bank.weights)
        pick = np.minimum(np.searchsorted(edges, uniforms(seed, draws, 1)[:, 0] * edges[-1]), c.count - 1)
        n = bank.mean.shape[1]
        z = normals(seed + 1, draws, 9 + 2 * MODES + 5)
        used, where = np.unique(pick, return_inverse=True)
        root = _roots(bank.covariance[used])
        state = bank.mean[pick] + (root[where] @ z[:, :n, None])[:, :, 0]
        total = np.maximum(state[:, :WOBBLE].sum(axis=1), 0.05 * max(bank.level_w, 1e-9))
        parts = np.maximum(state[:, :WOBBLE], 0.0)
        parts *= (total / np.maximum(parts.sum(axis=1), 1e-12))[:, None]
        self.base, self.stores = parts[:, BASE], parts[:, STORES]
        self.now = state[:, WOBBLE] / total
        self.rain_w = np.maximum(state[:, RAIN], 0.0)
        self.gains = np.maximum(state[:, GAINS], 0.0) if n == 9 else None
        self.tau_h, self.wobble, self.wobble_h = c.tau_h[pick], c.wobble[pick], c.wobble_h[pick]
        self.scales_h, self.place = c.scales_h, c.scale[pick]
        self.wobbles_h, self.which = c.wobbles_h, c.which[pick]
        self.z = z[:, 9 : 9 + 2 * MODES]
        shares = SHARES * np.exp(SHARE_SPREAD * z[:, 9 + 2 * MODES : 12 + 2 * MODES])
        self.shares = shares / shares.sum(axis=1)[:, None]
        self.storm_h = STORM_H * np.exp(STORM_H_SPREAD * z[:, 12 + 2 * MODES])
        self.ends = -self.storm_h * np.log(uniforms(seed + 2, draws, 1)[:, 0])

    def level_w(self, lag_h: float) -> Array:
        """Mean power a while after the bank's time [W], shape (draws,)."""
        level = self.base + np.sum(self.stores * np.exp(-lag_h / self.tau_h), axis=1)
        return np.asarray(level * np.maximum(0.0, 1.0 + self.now * np.exp(-lag_h / self.wobble_h)), dtype=np.float64)

    def falling_wh(self, ahead_h: Array, lag_h: float) -> Array:
        """Energy ahead of water that is already there [Wh], shape (draws, T), without wobble."""
        gone_wh = self._by_scale(self.stores * np.exp(-lag_h / self.tau_h) * self.tau_h)
        shapes = np.vstack([-np.expm1(-ahead_h / self.scales_h[:, None]), ahead_h])
        return np.asarray(np.column_stack([gone_wh, self.base]) @ shapes, dtype=np.float64)

    def raining_wh(self, ahead_h: Array, lag_h: float, measured_mm_per_h: float | None) -> Array:
        """Energy ahead of rain that falls now and ends by chance [Wh], shape (draws, T).

        measured_mm_per_h : float | None — its strength where a gauge tells [mm/h]; None: as the bank infers
        """
        if measured_mm_per_h is not None and self.gains is not None:
            fills = self.gains * measured_mm_per_h
        else:
            fills = self.shares * self.rain_w[:, None]
        path = np.zeros((self.draws, ahead_h.size))
        rows = np.flatnonzero(fills.sum(axis=1) > 0.01 * (self.base + self.stores.sum(axis=1)))
        if not rows.size:
            return path
        since = np.concatenate([[lag_h], ahead_h + lag_h])
        given = self._given_wh(rows, fills[rows], since)
        path[rows] = given[:, 1:] - given[:, :1]
        return path

    def _given_wh(self, rows: NDArray[np.intp], fills: Array, since: Array) -> Array:
        """What rain that began at the bank's time, and ends when it is drawn to, has given by `since` [h], shape
        (rows, T): the difference of two `filled_h`, its exponentials shared by all draws of one time constant.
        """
        ends, scales = self.ends[rows], self.scales_h
        weight = self._by_scale(fills * self.tau_h[rows], rows)
        late = weight * np.exp(np.minimum(ends[:, None] / scales, _MOST_EXPONENT))
        decay = np.exp(-since / scales[:, None])
        total, all_of = fills.sum(axis=1)[:, None], weight.sum(axis=1)[:, None]
        stopped = late @ decay
        np.copyto(stopped, all_of, where=since <= ends[:, None])
        given = np.minimum(since, ends[:, None])
        given *= total
        given += weight @ decay
        given -= stopped
        return np.asarray(given)

    def arrived_wh(self, ahead_h: Array, depth_mm: float) -> Array:
        """Energy ahead of measured rain that has just reached the reservoirs [Wh], shape (draws, T)."""
        path = np.zeros((self.draws, ahead_h.size))
        if self.gains is not None and depth_mm > 0.0:
            for k in range(3):
                path += self.gains[:, k, None] * depth_mm * -np.expm1(-ahead_h / self.tau_h[:, k, None])
        return path

    def wobbled(self, path: Array, ahead_h: Array, lag_h: float) -> Array:
        """The rises of a path times the wobble's path, shape (draws, T - 1).

        path : (draws, T) — over the first T of the times ahead
        ahead_h : (all,) — every time ahead [h]; the wobble's modes belong to them all
        """
        every = (ahead_h[1:] + ahead_h[:-1]) / 2.0
        times, shown = tuple(every.tolist()), path.shape[1] - 1
        middle = every[:shown]
        weight = np.zeros((self.draws, self.wobbles_h.size, MODES + 1))
        row = np.arange(self.draws)
        weight[row, self.which, :MODES] = self.wobble[:, None] * self.z[:, :MODES]
        weight[row, self.which, MODES] = self.now * np.exp(-lag_h / self.wobble_h)
        shapes = [SLOW_WOBBLE * wobble_modes(times, SLOW_WOBBLE_H, MODES)[:, :shown]]
        for tau_h in self.wobbles_h.tolist():
            shapes += [wobble_modes(times, tau_h, MODES)[:, :shown], np.exp(-middle / tau_h)[None, :]]
        factor = np.hstack([self.z[:, MODES:], weight.reshape(self.draws, -1)]) @ np.vstack(shapes)
        factor += 1.0
        np.maximum(factor, 0.0, out=factor)
        factor *= np.diff(path, axis=1)
        return factor

    def _by_scale(self, amount: Array, rows: NDArray[np.intp] | None = None) -> Array:
        """Amounts (draws, 3) of the reservoirs as amounts of each time constant, shape (draws, S)."""
        place = self.place if rows is None else self.place[rows]
        weight, row = np.zeros((amount.shape[0], self.scales_h.size)), np.arange(amount.shape[0])
        for k in range(amount.shape[1]):
            weight[row, place[:, k]] += amount[:, k]
        return weight


def _roots(covariance: Array) -> Array:
    """Square roots of covariances (k, n, n); tiny negative eigenvalues of rounding are taken as zero."""
    values, vectors = np.linalg.eigh(covariance)
    return np.asarray(vectors * np.sqrt(np.maximum(values, 0.0))[:, None, :], dtype=np.float64)
