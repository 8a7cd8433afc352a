"""Draws of the pump's energy ahead from a bank of filters: candidate, state, and the wobble's path."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from forecaster.noise import normals, uniforms, wobble_modes
from forecaster.recession import BASE, FAST, SLOW, WOBBLE, Bank

Array = NDArray[np.float64]

MODES = 12
"""Components of the wobble's path ahead."""


class Draws:
    """`draws` joint draws of candidate and state of a bank, at the time the bank stands at."""

    def __init__(self, bank: Bank, seed: int, draws: int) -> None:
        self.seed, self.draws = seed, draws
        c = bank.candidates
        edges = np.cumsum(bank.weights)
        pick = np.minimum(np.searchsorted(edges, uniforms(seed, draws, 1)[:, 0] * edges[-1]), c.count - 1)
        z = normals(seed + 1, draws, 4 + MODES)
        used, where = np.unique(pick, return_inverse=True)
        root = _roots(bank.covariance[used, :4, :4])
        state = bank.mean[pick, :4] + np.einsum("mij,mj->mi", root[where], z[:, :4])
        total = np.maximum(state[:, :3].sum(axis=1), 0.05 * max(bank.level_w, 1e-9))
        parts = np.maximum(state[:, :3], 0.0)
        parts *= (total / np.maximum(parts.sum(axis=1), 1e-12))[:, None]
        self.base, self.fast, self.slow = parts[:, BASE], parts[:, FAST], parts[:, SLOW]
        self.now = state[:, WOBBLE] / total
        self.fast_h, self.slow_h = c.fast_h[pick], c.slow_h[pick]
        self.wobble, self.wobble_h = c.wobble[pick], c.wobble_h[pick]
        self.z = z[:, 4:]

    def level_w(self, lag_h: float) -> Array:
        """Mean power a while after the bank's time [W], shape (draws,)."""
        level = self.base + self.fast * np.exp(-lag_h / self.fast_h) + self.slow * np.exp(-lag_h / self.slow_h)
        return np.asarray(level * np.maximum(0.0, 1.0 + self.now * np.exp(-lag_h / self.wobble_h)), dtype=np.float64)

    def cumulative_wh(self, ahead_h: Array, lag_h: float) -> Array:
        """Pump energy ahead [Wh], shape (draws, T), from `lag_h` after the bank's time on."""
        path = self.base[:, None] * ahead_h
        for start, tau in ((self.fast, self.fast_h), (self.slow, self.slow_h)):
            scales, which = np.unique(tau, return_inverse=True)
            shape = scales[:, None] * -np.expm1(-ahead_h / scales[:, None])
            path += (start * np.exp(-lag_h / tau))[:, None] * shape[which]
        middle = (ahead_h[1:] + ahead_h[:-1]) / 2.0
        factor = np.empty((self.draws, middle.size))
        for tau_h in np.unique(self.wobble_h):
            rows = self.wobble_h == tau_h
            modes = wobble_modes(tuple(middle.tolist()), float(tau_h), MODES)
            factor[rows] = 1.0 + self.wobble[rows, None] * (self.z[rows] @ modes)
            factor[rows] += (self.now[rows] * np.exp(-lag_h / tau_h))[:, None] * np.exp(-middle / tau_h)
        rise = np.diff(path, axis=1) * np.maximum(factor, 0.0)
        return np.concatenate([np.zeros((self.draws, 1)), np.cumsum(rise, axis=1)], axis=1)


def _roots(covariance: Array) -> Array:
    """Symmetric square roots of covariances (k, n, n); tiny negative eigenvalues of rounding are taken as zero."""
    values, vectors = np.linalg.eigh(covariance)
    return np.asarray(vectors * np.sqrt(np.maximum(values, 0.0))[:, None, :], dtype=np.float64)
