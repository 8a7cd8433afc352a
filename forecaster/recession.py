"""A bank of Kalman filters for water that falls: one filter for each candidate set of time constants.

What is followed is the mean power of the pump over its cycles, p = duty x running watts, which is inflow times energy
per unit of water. It is modelled as

    p(t) = b(t) + x1(t) + x2(t) + w(t)

with a wet-season base b (random walk), two reservoirs x1, x2 that empty exponentially (hours and days), and short-lived
wobble w (Ornstein-Uhlenbeck, proportional to the level). Where rain is known, two gains g1, g2 [W/mm] are states too:
rain of depth d adds g1 d to x1 and g2 d to x2. For fixed time constants that is a linear state space model, so each
candidate is an exact Kalman filter (Kalman 1960; notation of Durbin & Koopman 2012, ch. 4) and the candidates are
weighted by their running likelihood (Bayesian model averaging, as Harrison & Stevens 1976 class I). Rain that nobody
measured is a second hypothesis at each step, a jump in x1 and x2, collapsed to one Gaussian by its moments
(generalised pseudo-Bayes of order one, Bar-Shalom et al. 2001, sec. 11.6).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

BASE, FAST, SLOW, WOBBLE, GAIN_FAST, GAIN_SLOW = range(6)


@dataclass(frozen=True, slots=True)
class Candidates:
    """Fixed constants of each filter of the bank, arrays of shape (K,).

    fast_h, slow_h : float — time constants of the two reservoirs [h]
    wobble : float — standard deviation of the wobble as a share of the level, 0..
    wobble_h : float — its correlation time [h]
    log_prior : float — natural log of the prior weight
    """

    fast_h: Array
    slow_h: Array
    wobble: Array
    wobble_h: Array
    log_prior: Array

    @property
    def count(self) -> int:
        """K."""
        return int(self.fast_h.size)


@dataclass(frozen=True, slots=True)
class Surge:
    """Rain that nobody measured: how likely a jump is, and how large.

    probability : float — chance that a step holds a jump, 0..1
    fast_w, slow_w : float — mean jump of x1 and x2 [W]; spread equal to the mean, as of an exponential
    """

    probability: float
    fast_w: float
    slow_w: float


def grid(
    fast_h: tuple[float, ...] = (1.5, 3.0, 6.0, 12.0, 20.0),
    slow_h: tuple[float, ...] = (30.0, 60.0, 120.0, 300.0),
    wobble: tuple[float, ...] = (0.02, 0.06, 0.15),
    wobble_h: tuple[float, ...] = (0.7, 4.0),
) -> Candidates:
    """Every combination, equally likely; time constants apart by factors of about two [h]."""
    rows = np.array(list(product(fast_h, slow_h, wobble, wobble_h)), dtype=np.float64)
    flat = np.full(rows.shape[0], -np.log(rows.shape[0]))
    return Candidates(rows[:, 0].copy(), rows[:, 1].copy(), rows[:, 2].copy(), rows[:, 3].copy(), flat)


class Bank:
    """Means (K, n), covariances (K, n, n) and log weights (K,) of the candidates' filters, n = 4, or 6 with gains."""

    BASE_DRIFT = 0.04
    """Random walk of the base and reservoirs beyond their recession, share of the level in a square-root day."""

    FORGET_H = 24.0 * 21.0
    """Evidence for a candidate is forgotten with this time constant [h], since no ground keeps its constants."""

    def __init__(self, candidates: Candidates, mean: Array, covariance: Array) -> None:
        """mean (n,) and covariance (n, n) of the prior are shared by all candidates, W and W²."""
        self.candidates = candidates
        self.mean = np.repeat(mean[None, :], candidates.count, axis=0)
        self.covariance = np.repeat(covariance[None, :, :], candidates.count, axis=0)
        self.log_weight = candidates.log_prior.copy()
        self.surge_probability = 0.0
        self.surge_w = 0.0

    @property
    def weights(self) -> Array:
        """Weights of the candidates, shape (K,), sum 1."""
        raw = np.exp(self.log_weight - self.log_weight.max())
        return np.asarray(raw / raw.sum(), dtype=np.float64)

    @property
    def level_w(self) -> float:
        """Present mean power, averaged over candidates [W]; at least 0."""
        return max(0.0, float(self.weights @ self.mean[:, :4].sum(axis=1)))

    @property
    def has_gains(self) -> bool:
        """Whether rain drives the reservoirs."""
        return bool(self.mean.shape[1] == 6)

    def add_gains(self, mean_w_per_mm: float, spread_w_per_mm: float) -> None:
        """Let rain drive the reservoirs from now on, with the same prior belief on both gains [W/mm]."""
        if self.has_gains:
            return
        count = self.candidates.count
        self.mean = np.hstack([self.mean, np.full((count, 2), mean_w_per_mm)])
        wider = np.zeros((count, 6, 6))
        wider[:, :4, :4] = self.covariance
        wider[:, GAIN_FAST, GAIN_FAST] = wider[:, GAIN_SLOW, GAIN_SLOW] = spread_w_per_mm**2
        self.covariance = wider

    def predict(self, span_h: float, level_w: float, rain_mm: float = 0.0) -> None:
        """Carry every filter ahead by a span [h] over which `rain_mm` fell evenly.

        level_w : float — level to which wobble and drift are proportional [W]
        """
        c = self.candidates
        count, n = self.mean.shape
        move = np.zeros((count, n, n))
        decay_fast, decay_slow = np.exp(-span_h / c.fast_h), np.exp(-span_h / c.slow_h)
        move[:, BASE, BASE] = 1.0
        move[:, FAST, FAST] = decay_fast
        move[:, SLOW, SLOW] = decay_slow
        move[:, WOBBLE, WOBBLE] = decay_wobble = np.exp(-span_h / c.wobble_h)
        if n == 6:
            move[:, GAIN_FAST, GAIN_FAST] = move[:, GAIN_SLOW, GAIN_SLOW] = 1.0
            move[:, FAST, GAIN_FAST] = rain_mm * (1.0 - decay_fast) * c.fast_h / span_h
            move[:, SLOW, GAIN_SLOW] = rain_mm * (1.0 - decay_slow) * c.slow_h / span_h
        self.mean = np.einsum("kij,kj->ki", move, self.mean)
        cov = move @ self.covariance @ move.transpose(0, 2, 1)
        drift = (self.BASE_DRIFT * level_w) ** 2 * span_h / 24.0
        cov[:, BASE, BASE] += drift
        cov[:, FAST, FAST] += drift
        cov[:, SLOW, SLOW] += drift
        cov[:, WOBBLE, WOBBLE] += (c.wobble * level_w) ** 2 * (1.0 - decay_wobble**2)
        self.covariance = cov
        self.log_weight = c.log_prior + (self.log_weight - c.log_prior) * np.exp(-span_h / self.FORGET_H)

    def observe(self, mean_w: float, variance: float, span_h: float, surge: Surge | None = None) -> None:
        """Take in the mean power over the `span_h` [h] that ends now [W], with its variance [W²].

        The mean of a reservoir over the span is its end value times (e^a - 1)/a, a = span/tau.
        """
        c = self.candidates
        count, n = self.mean.shape
        design = np.zeros((count, n))
        design[:, BASE] = design[:, WOBBLE] = 1.0
        for column, tau in ((FAST, c.fast_h), (SLOW, c.slow_h)):
            ratio = np.minimum(span_h / tau, 5.0)
            design[:, column] = np.expm1(ratio) / ratio
        mean, cov, log_like = _update(self.mean, self.covariance, design, mean_w, variance)
        if surge is None:
            self.mean, self.covariance, total = mean, cov, log_like
        else:
            total = self._merge(mean, cov, log_like, surge, design, mean_w, variance)
        self.log_weight = self.log_weight + total
        self.log_weight -= self.log_weight.max()

    def _merge(
        self, mean: Array, cov: Array, log_like: Array, surge: Surge, design: Array, mean_w: float, variance: float
    ) -> Array:
        """Collapse "no jump" and "a jump" to one Gaussian a candidate; returns the log likelihoods."""
        jumped, wider = self.mean.copy(), self.covariance.copy()
        jumped[:, FAST] += surge.fast_w
        jumped[:, SLOW] += surge.slow_w
        wider[:, FAST, FAST] += surge.fast_w**2
        wider[:, SLOW, SLOW] += surge.slow_w**2
        mean_j, cov_j, log_j = _update(jumped, wider, design, mean_w, variance)
        log_no, log_yes = log_like + np.log1p(-surge.probability), log_j + np.log(surge.probability)
        total = np.logaddexp(log_no, log_yes)
        share = np.exp(log_yes - total)[:, None]
        apart = mean_j - mean
        weights = self.weights
        rise = mean_j[:, [FAST, SLOW]].sum(axis=1) - self.mean[:, [FAST, SLOW]].sum(axis=1)
        self.surge_probability = float(weights @ share[:, 0])
        self.surge_w = float(weights @ (share[:, 0] * np.maximum(rise, 0.0)))
        self.mean = mean + share * apart
        mixed = (share * (1.0 - share))[:, :, None] * apart[:, :, None] * apart[:, None, :]
        self.covariance = cov + share[:, :, None] * (cov_j - cov) + mixed
        return np.asarray(total, dtype=np.float64)


def _update(mean: Array, cov: Array, design: Array, value: float, variance: float) -> tuple[Array, Array, Array]:
    """One Kalman measurement update of all candidates: mean, covariance, log likelihood."""
    cross = np.einsum("kij,kj->ki", cov, design)
    spread = np.einsum("ki,ki->k", design, cross) + variance
    error = value - np.einsum("ki,ki->k", design, mean)
    gain = cross / spread[:, None]
    new_mean = mean + gain * error[:, None]
    new_cov = cov - gain[:, :, None] * cross[:, None, :]
    log_like = -0.5 * (np.log(2.0 * np.pi * spread) + error**2 / spread)
    return new_mean, new_cov, log_like
