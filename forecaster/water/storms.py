"""Storms that nobody has announced: how often they come, how large, and what they would add ahead.

Storms arrive as a Poisson process and last exponentially long (Rodriguez-Iturbe, Cox, Isham 1987, Proc. R. Soc. A 410:
the rectangular pulses model of rain). Rate and size are learnt from the site's own past, from a stated prior on.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from forecaster.maths.arrays import Array, Single
from forecaster.maths.noise import normals, uniforms
from forecaster.water.recession import SHARES

PRIOR_RATE_PER_H = 1.0 / 90.0
"""Rain that reaches a pit comes about every four days (common practice, no source)."""

PRIOR_WEIGHT_H = 300.0
"""How many hours of watching the prior rate is worth [h]."""

PRIOR_STORMS = 2.0
"""How many storms the prior size is worth."""

SIZE_SPREAD = 0.8
"""Spread of the log of the mean size among sites, before any storm was seen (common practice, no source)."""

STORM_H = 4.0
"""Storms last about this long [h] (common practice, no source)."""

DRY_H = 6.0
"""Rain after this many dry hours is a new storm [h] (common practice: minimum inter-event time of 6 h)."""


@dataclass(slots=True)
class StormClimate:
    """What the site's past says of storms; sizes in the unit of their driver (Wh of pump energy, or mm of rain).

    watched_h : float — hours looked at
    storms : float — storms seen
    total : float — their sizes summed
    prior_size : float — mean size believed before any was seen
    """

    prior_size: float
    watched_h: float = 0.0
    storms: float = 0.0
    total: float = 0.0
    open_size: float = 0.0
    dry_h: float = DRY_H

    def watch(self, span_h: float, amount: float) -> None:
        """Take in the next span of time.

        span_h : float — its length [h]
        amount : float — what came down in it, 0 where it stayed dry
        """
        self.watched_h += span_h
        if amount > 0.0:
            self.dry_h = 0.0
            self.open_size += amount
        else:
            self.dry_h += span_h
            if self.dry_h >= DRY_H:
                self.close()

    def close(self) -> None:
        """Count the storm that has ended, if there was one of note."""
        if self.open_size > 0.1 * self.mean_size:
            self.storms += 1.0
            self.total += self.open_size
        self.open_size = 0.0

    @property
    def rate_per_h(self) -> float:
        """Posterior mean of the storm rate [1/h]: gamma prior, Poisson counts."""
        return (PRIOR_RATE_PER_H * PRIOR_WEIGHT_H + self.storms) / (PRIOR_WEIGHT_H + self.watched_h)

    @property
    def mean_size(self) -> float:
        """Mean size of a storm, in the unit of `amount`: the prior and what was seen, together."""
        return (PRIOR_STORMS * self.prior_size + self.total) / (PRIOR_STORMS + self.storms)

    @property
    def size_spread(self) -> float:
        """Standard deviation of the natural logarithm of the mean size, as far as it is still unknown."""
        return float(SIZE_SPREAD * (PRIOR_STORMS / (PRIOR_STORMS + self.storms)) ** 0.5)


def filled_h(since_h: Array, tau_h: Array | float) -> Array:
    """Energy a reservoir gives, per unit of steady rain, in the hours since it began: t - tau (1 - e^(-t/tau)) [h]."""
    return np.asarray(since_h + tau_h * np.expm1(-since_h / tau_h), dtype=np.float64)


RATE_STEP = 1.3
"""Storms are drawn at rates apart by this factor, so that many sites share the draws."""


def storm_rate(rate_per_h: float) -> tuple[float, float]:
    """The rate on the grid that is nearest to a rate [1/h], and the factor on the size of storms that goes with it.

    With the factor the mean water of storms stays what it was.
    """
    step = round(math.log(rate_per_h / PRIOR_RATE_PER_H) / math.log(RATE_STEP))
    nearest_per_h = PRIOR_RATE_PER_H * RATE_STEP**step
    return nearest_per_h, rate_per_h / nearest_per_h


def unknown_size(seed: int, draws: int, spread: float) -> Array:
    """Draws of the factor by which the true mean size of a storm may differ from the one believed: (draws, 1), mean 1.

    spread : float — standard deviation of its natural logarithm
    """
    return np.asarray(np.exp(spread * normals(seed + 7, draws, 1) - spread**2 / 2.0))


@lru_cache(maxsize=256)
def unit_storms_wh(
    seed: int,
    draws: int,
    ahead_h: tuple[float, ...],
    rate_per_h: float,
    tau_h: tuple[float, ...],
    dry_h: float,
) -> Single:
    """Pump energy between times ahead from storms of mean size 1 Wh [Wh], shape (draws, T - 1), read-only.

    ahead_h : tuple of float, length T — times ahead [h]
    rate_per_h : float — storms per hour
    tau_h : tuple of three floats — time constants of the reservoirs [h]
    dry_h : float — hours from now that are known otherwise and hold no unannounced storm [h]

    A storm rains at a strength a (exponential, mean 1/STORM_H) for a time d (exponential, mean STORM_H), so that it
    brings a d, in the mean 1.
    """
    times = np.asarray(ahead_h, dtype=np.float64)
    horizon = max(float(times[-1]) - dry_h, 0.0)
    most = max(1, int(np.ceil(rate_per_h * horizon + 3.0 * np.sqrt(rate_per_h * horizon))))
    u = uniforms(seed, draws, 3 * most)
    begins = dry_h + np.cumsum(-np.log(u[:, :most]), axis=1) / rate_per_h
    lasts = -STORM_H * np.log(u[:, most : 2 * most])
    strength = -np.log(u[:, 2 * most :]) / STORM_H
    total = np.zeros((draws, times.size))
    for k in range(most):
        rows = np.flatnonzero(begins[:, k] < times[-1])
        since = np.maximum(times[None, :] - begins[rows, k, None], 0.0)
        after = np.maximum(since - lasts[rows, k, None], 0.0)
        for share, tau in zip(SHARES.tolist(), tau_h, strict=True):
            total[rows] += strength[rows, k, None] * share * (filled_h(since, tau) - filled_h(after, tau))
    rises: Single = np.diff(total, axis=1).astype(np.float32)
    rises.setflags(write=False)
    return rises
