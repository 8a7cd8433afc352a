"""A bank of Kalman filters for water that falls: one filter for each candidate set of time constants.

What is followed is the mean power of the pump over its cycles, p = duty x running watts, which is inflow times energy
per unit of water. It is modelled as

    p(t) = b(t) + x1(t) + x2(t) + x3(t) + w(t)

with a wet-season base b (random walk), three linear reservoirs that empty exponentially (an hour or so, most of a day,
days), and short-lived wobble w (Ornstein-Uhlenbeck, proportional to the level). A reservoir fills by
dx/dt = (s r - x)/tau: r is rain that nobody measured, expressed as the power that it would come to if it lasted for
ever, s the reservoir's share of it. Where rain is measured, gains g1, g2, g3 [W per mm/h] are states too.

For fixed time constants that is a linear state space model, so each candidate is a Kalman filter (Kalman 1960; notation
of Durbin & Koopman 2012, ch. 4) and the candidates are weighted by their running likelihood (Bayesian model averaging;
Harrison & Stevens 1976, class I). Unmeasured rain begins and ends: at each step "as before", "a storm has begun", "the
storm is over" and "a cloudburst came and went" stand beside one another and are collapsed to one Gaussian by their
moments (generalised pseudo-Bayes of order one, Bar-Shalom et al. 2001, sec. 11.6).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache
from itertools import product

import numpy as np
from numpy.typing import NDArray

from forecaster.maths.arrays import Array

BASE, FAST, MIDDLE, SLOW, WOBBLE, RAIN = range(6)
STORES = slice(FAST, SLOW + 1)
GAINS = slice(6, 9)
LEVEL = slice(BASE, WOBBLE + 1)

SHARES = np.array([0.28, 0.33, 0.39])
"""Shares of rain that reach the three reservoirs, where nothing was learnt of them (common practice, no source)."""

BURSTS = 0.3
"""Cloudbursts that are over within a step, for each storm that lasts (common practice, no source)."""

SHARE_SPREAD = 0.5
"""Relative spread of those shares."""

_HALVING_H = np.concatenate([[0.0], np.geomspace(0.25, 720.0, 120)])
"""Times ahead at which the inflow is compared with half of the present one [h]."""


@dataclass(frozen=True, slots=True)
class Candidates:
    """Fixed constants of each filter of the bank.

    tau_h : (K, 3) — time constants of the reservoirs [h]
    wobble : (K,) — standard deviation of the wobble as a share of the level, 0..
    wobble_h : (K,) — its correlation time [h]
    log_prior : (K,) — natural log of the prior weight
    scales_h, scale : (S,), (K, 3) — the time constants that occur, and which one each reservoir has
    wobbles_h, which : (W,), (K,) — the same of the wobble's correlation times
    """

    tau_h: Array
    wobble: Array
    wobble_h: Array
    log_prior: Array
    scales_h: Array = field(init=False, repr=False, compare=False)
    scale: NDArray[np.intp] = field(init=False, repr=False, compare=False)
    wobbles_h: Array = field(init=False, repr=False, compare=False)
    which: NDArray[np.intp] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        for values, found, places in (("tau_h", "scales_h", "scale"), ("wobble_h", "wobbles_h", "which")):
            occurring, place = np.unique(getattr(self, values), return_inverse=True)
            object.__setattr__(self, found, occurring)
            object.__setattr__(self, places, place.reshape(getattr(self, values).shape))

    @property
    def count(self) -> int:
        """K, the number of candidates."""
        return int(self.wobble.size)


@lru_cache(maxsize=64)
def grid(
    fast_h: tuple[float, ...] = (1.2, 2.7, 5.5),
    middle_h: tuple[float, ...] = (10.0, 17.0, 30.0),
    slow_h: tuple[float, ...] = (65.0, 150.0),
    wobbles: tuple[tuple[float, float], ...] = ((0.03, 0.3), (0.07, 0.4), (0.03, 3.0), (0.07, 3.0)),
) -> Candidates:
    """Candidates of every combination, all equally likely.

    fast_h, middle_h, slow_h : tuple of float — time constants of the three reservoirs [h], about a factor of two apart
    wobbles : tuple of (float, float) — standard deviation as a share of the level, and correlation time [h]
    """
    rows = np.array([[a, b, c, *w] for a, b, c, w in product(fast_h, middle_h, slow_h, wobbles)])
    flat = np.full(rows.shape[0], -np.log(rows.shape[0]))
    return Candidates(rows[:, :3].copy(), rows[:, 3].copy(), rows[:, 4].copy(), flat)


@lru_cache(maxsize=64)
def _emptying(tau_h: tuple[float, ...]) -> Array:
    """What is left in reservoirs at each time of _HALVING_H, as shares of what was in them, (T, S), read-only."""
    left: Array = np.exp(-_HALVING_H[:, None] / np.asarray(tau_h))
    left.setflags(write=False)
    return left


@dataclass(frozen=True, slots=True)
class Surge:
    """Rain that nobody measured.

    begins, ends : float — chance that a storm begins, or one that lasts is over, within the step, 0..1
    rain_w : float — mean rain of a storm, as the power it would come to [W]; spread equal to the mean
    variance : float — of the measurement, as far as rain is to be told from it [W²]; never less than its own
    """

    begins: float
    ends: float
    rain_w: float
    variance: float = 0.0


class Bank:
    """Means (K, n), covariances (K, n, n) and log weights (K,) of the candidates' filters, n = 6, or 9 with gains."""

    DRIFT = 0.04
    """Random walk of base and reservoirs beyond their recession, as a share of the level per square root of a day."""

    GAIN_DRIFT = 0.1
    """Random walk of the gains, as a share of their sum per square root of a day: the ground varies in wetness."""

    FORGET_H = 24.0 * 21.0
    """Evidence for a candidate is forgotten with this time constant [h], since no ground keeps its constants."""

    def __init__(self, candidates: Candidates, mean: Array, covariance: Array) -> None:
        """mean, covariance : (n,), (n, n) — of the prior, the same for all candidates [W], [W²]"""
        self.candidates = candidates
        self.mean = np.repeat(mean[None, :], candidates.count, axis=0)
        self.covariance = np.repeat(covariance[None, :, :], candidates.count, axis=0)
        self.log_weight = candidates.log_prior.copy()
        self._weights: tuple[Array, Array] | None = None

    @property
    def weights(self) -> Array:
        """Weights of the candidates, shape (K,), sum 1."""
        if self._weights is None or self._weights[0] is not self.log_weight:
            raw = np.exp(self.log_weight - self.log_weight.max())
            self._weights = self.log_weight, np.asarray(raw / raw.sum(), dtype=np.float64)
        return self._weights[1]

    @property
    def level_w(self) -> float:
        """Present mean power, averaged over candidates [W]; at least 0."""
        return max(0.0, float(self.weights @ self.mean[:, LEVEL].sum(axis=1)))

    def levels_w(self, lag_h: float) -> tuple[Array, Array]:
        """Mean power without new rain, as each candidate has it: its mean and its standard deviation [W], (K,) each.

        lag_h : float — how long after the bank's time [h]
        """
        c = self.candidates
        look = np.zeros(self.mean.shape)
        look[:, BASE] = 1.0
        look[:, STORES] = np.exp(-lag_h / c.tau_h)
        look[:, WOBBLE] = np.exp(-lag_h / c.wobble_h)
        variance = np.sum((self.covariance @ look[:, :, None])[:, :, 0] * look, axis=1)
        return np.asarray(np.sum(look * self.mean, axis=1)), np.asarray(np.sqrt(np.maximum(variance, 0.0)))

    def halving_h(self, lag_h: float) -> float | None:
        """Hours in which the expected level halves without new rain [h]; None when it does not within 30 days.

        lag_h : float — how long after the bank's time the hours begin [h]
        """
        scales_h = self.candidates.scales_h
        left = self.weights[:, None] * np.maximum(self.mean[:, STORES], 0.0)
        amounts = np.bincount(self.candidates.scale.ravel(), left.ravel(), scales_h.size) * np.exp(-lag_h / scales_h)
        base = float(self.weights @ np.maximum(self.mean[:, BASE], 0.0))
        level = _emptying(tuple(scales_h.tolist())) @ amounts + base
        below = np.flatnonzero(level <= 0.5 * level[0])
        return float(_HALVING_H[below[0]]) if below.size and level[0] > 0.0 else None

    @property
    def rain_w(self) -> float:
        """Present unmeasured rain, averaged over candidates [W]; at least 0."""
        return max(0.0, float(self.weights @ self.mean[:, RAIN]))

    @property
    def has_gains(self) -> bool:
        """Whether measured rain drives the reservoirs."""
        return bool(self.mean.shape[1] == 9)

    def add_gains(self, scale_w: float) -> None:
        """Let measured rain drive the reservoirs from now on; nothing happens where it does already.

        scale_w : float — a guess at the sum of the three gains [W per mm/h]
        """
        if self.has_gains:
            return
        guess = scale_w * SHARES
        self.mean = np.hstack([self.mean, np.tile(guess, (self.candidates.count, 1))])
        wider = np.zeros((self.candidates.count, 9, 9))
        wider[:, :6, :6] = self.covariance
        wider[:, GAINS, GAINS] = np.outer(guess, guess) + np.diag(guess**2)
        self.covariance = wider

    def predict(self, span_h: float, level_w: float, rain_mm_per_h: float = 0.0) -> None:
        """Carry every filter ahead by a span over which measured rain reached the reservoirs at a steady rate.

        span_h : float — the span [h]
        level_w : float — level to which wobble and drift are proportional [W]
        rain_mm_per_h : float — the measured rain [mm/h], without effect where the bank has no gains
        """
        c = self.candidates
        count, n = self.mean.shape
        move = np.zeros((count, n, n))
        move[:, range(n), range(n)] = 1.0
        keep = np.exp(-span_h / c.tau_h)
        keep_wobble = np.exp(-span_h / c.wobble_h)
        rain_w = float(self.weights @ np.abs(self.mean[:, RAIN]))
        for k, store in enumerate((FAST, MIDDLE, SLOW)):
            move[:, store, store] = keep[:, k]
            move[:, store, RAIN] = SHARES[k] * (1.0 - keep[:, k])
            if n == 9:
                move[:, store, 6 + k] = rain_mm_per_h * (1.0 - keep[:, k])
        move[:, WOBBLE, WOBBLE] = keep_wobble
        self.mean = (move @ self.mean[:, :, None])[:, :, 0]
        cov = move @ self.covariance @ move.transpose(0, 2, 1)
        drift = (self.DRIFT * level_w) ** 2 * span_h / 24.0
        cov[:, BASE, BASE] += drift
        for k, store in enumerate((FAST, MIDDLE, SLOW)):
            cov[:, store, store] += drift + (SHARE_SPREAD * SHARES[k] * rain_w * (1.0 - keep[:, k])) ** 2
        if n == 9:
            gains = self.weights @ self.mean[:, GAINS]
            cov[:, range(6, 9), range(6, 9)] += (self.GAIN_DRIFT * gains.sum() * SHARES) ** 2 * span_h / 24.0
        cov[:, WOBBLE, WOBBLE] += (c.wobble * level_w) ** 2 * (1.0 - keep_wobble**2)
        self.covariance = cov
        self.log_weight = c.log_prior + (self.log_weight - c.log_prior) * np.exp(-span_h / self.FORGET_H)

    def observe(self, mean_w: float, variance: float, span_h: float, surge: Surge | None = None) -> None:
        """Take in a measurement of the mean power over the span that ends now.

        mean_w, variance : float — the mean power [W] and its variance [W²]; span_h : float — the span [h]
        surge : Surge | None — rain that may have begun or ended unmeasured; None: none is considered

        The mean of a reservoir over the span is its end value times (e^a - 1)/a, a = span/tau. Where a storm is told
        from more than the measurement's own error, rain may be too faint to be ever told; it may be over all the same.
        """
        design = self.design(span_h)
        mean, cov, log_like, surprise = _update(self.mean, self.covariance, design, mean_w, variance)
        doubtful = surge is not None and surge.variance > variance
        if surge is not None and doubtful:
            variance = surge.variance
            log_like, surprise = _update(self.mean, self.covariance, design, mean_w, variance)[2:]
        quiet = surge is None or (float(self.weights @ surprise**2) < 1.5 and self.rain_w < 0.02 * surge.rain_w)
        if quiet or surge is None:
            self.mean, self.covariance = mean, cov
            if surge is not None and doubtful:
                self._fade_rain(surge.ends)
        else:
            log_like = self._merge((mean, cov, log_like), surge, design, mean_w, variance, span_h)
        self.log_weight = self.log_weight + log_like
        self.log_weight -= self.log_weight.max()
        self._keep_positive()

    def _keep_positive(self) -> None:
        """Water and rain are not negative: where a mean is, take in that it is zero, give or take a little.

        Source: measurement form of an inequality constraint, Simon 2010 (IET Control Theory Appl. 4), active set.
        """
        give = (0.02 * self.level_w + 1e-6) ** 2
        for column in (BASE, FAST, MIDDLE, SLOW, RAIN):
            below = np.minimum(self.mean[:, column], 0.0)
            if not below.any():
                continue
            cross = self.covariance[:, :, column]
            gain = np.where(below[:, None] < 0.0, cross / (cross[:, column] + give)[:, None], 0.0)
            self.mean = self.mean - gain * below[:, None]
            self.covariance = self.covariance - gain[:, :, None] * cross[:, None, :]
        self.mean[:, GAINS] = np.maximum(self.mean[:, GAINS], 0.0)  # gains keep their spread: they may yet be learnt

    def _fade_rain(self, ends: float) -> None:
        """Rain too faint to be told from none is over with a chance of `ends`: the moments of both together."""
        keeps, cov = 1.0 - ends, self.covariance.copy()
        faint = cov[:, RAIN, RAIN] + self.mean[:, RAIN] ** 2
        cov[:, RAIN, :] *= keeps
        cov[:, :, RAIN] *= keeps
        cov[:, RAIN, RAIN] += keeps * ends * faint
        self.covariance = cov
        self.mean[:, RAIN] *= keeps

    def design(self, span_h: float) -> Array:
        """Factors of the states at its end in the mean power over a span: (K, n). span_h : float — the span [h]"""
        design = np.zeros(self.mean.shape)
        design[:, BASE] = design[:, WOBBLE] = 1.0
        ratio = np.minimum(span_h / self.candidates.tau_h, 3.0)
        design[:, STORES] = np.expm1(ratio) / ratio
        return design

    def _merge(
        self,
        before: tuple[Array, Array, Array],
        surge: Surge,
        design: Array,
        mean_w: float,
        variance: float,
        span_h: float,
    ) -> Array:
        """Collapse what may have happened to one Gaussian a candidate; returns the log likelihoods."""
        told = (self._begun(surge, span_h), self._over(), self._burst(surge))
        mean, cov = (np.concatenate(parts) for parts in zip(*told, strict=True))
        updated = _update(mean, cov, np.tile(design, (len(told), 1)), mean_w, variance)
        means, covs, likes = (
            np.concatenate([first[None], then.reshape(len(told), *first.shape)])
            for first, then in zip(before, updated[:3], strict=True)
        )
        chances = (max(1.0 - surge.begins - surge.ends, 0.05), surge.begins, surge.ends, BURSTS * surge.begins)
        logs = likes + np.log(chances)[:, None]
        top = logs.max(axis=0)
        total = top + np.log(np.exp(logs - top).sum(axis=0))
        share = np.exp(logs - total)
        middle = np.einsum("hk,hki->ki", share, means)
        away = means - middle
        self.mean = middle
        self.covariance = np.einsum("hk,hkij->kij", share, covs + away[:, :, :, None] * away[:, :, None, :])
        return np.asarray(total, dtype=np.float64)

    def _begun(self, surge: Surge, span_h: float) -> tuple[Array, Array]:
        """A storm of unknown strength began, half a step ago in the mean: rain, and what it has brought by now."""
        mean, cov = self.mean.copy(), self.covariance.copy()
        reached = SHARES * (1.0 - np.exp(-0.5 * span_h / self.candidates.tau_h))
        lift = np.zeros(mean.shape)
        lift[:, RAIN] = surge.rain_w
        lift[:, STORES] = surge.rain_w * reached
        mean += lift
        cov += lift[:, :, None] * lift[:, None, :]
        cov[:, range(FAST, SLOW + 1), range(FAST, SLOW + 1)] += (0.7 * lift[:, STORES]) ** 2
        return mean, cov

    def _burst(self, surge: Surge) -> tuple[Array, Array]:
        """A cloudburst came and went within the step: an hour's rain of a storm, straight into the reservoirs."""
        mean, cov = self.mean.copy(), self.covariance.copy()
        lift = surge.rain_w * SHARES / self.candidates.tau_h
        mean[:, STORES] += lift
        cov[:, STORES, STORES] += lift[:, :, None] * lift[:, None, :]
        cov[:, range(FAST, SLOW + 1), range(FAST, SLOW + 1)] += (0.7 * lift) ** 2
        return mean, cov

    def _over(self) -> tuple[Array, Array]:
        """The storm is over: no rain, and nothing left to tie it to the rest."""
        mean, cov = self.mean.copy(), self.covariance.copy()
        mean[:, RAIN] = 0.0
        cov[:, RAIN, :] = 0.0
        cov[:, :, RAIN] = 0.0
        return mean, cov


def _update(mean: Array, cov: Array, design: Array, value: float, variance: float) -> tuple[Array, Array, Array, Array]:
    """One Kalman measurement update of all candidates: mean, covariance, log likelihood, standardised surprise."""
    cross = (cov @ design[:, :, None])[:, :, 0]
    spread = np.sum(design * cross, axis=1) + variance
    error = value - np.sum(design * mean, axis=1)
    gain = cross / spread[:, None]
    new_mean = mean + gain * error[:, None]
    new_cov = cov - gain[:, :, None] * cross[:, None, :]
    log_like = -0.5 * (np.log(2.0 * np.pi * spread) + error**2 / spread)
    return new_mean, new_cov, log_like, error / np.sqrt(spread)
