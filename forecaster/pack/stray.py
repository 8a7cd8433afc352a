"""How far a gauge strays from every smooth family: a random function of the charge, in the posterior as a shared error.

Bow and skew describe a gauge that is right at both ends and smooth between. Gauges of other families have kinks,
plateaus, ripples, an offset that drifts. What is left is taken for a Gaussian process over the reported charge
(Kennedy, O'Hagan 2001, Bayesian calibration of computer models: the model's own discrepancy), a smooth part and a rough
one, pinned to zero at full. How large it is nobody tells: some scales are fitted side by side and weighted by their
evidence, so that a gauge of the smooth family earns its narrow range and another does not get it.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from forecaster.maths.arrays import Array

SMOOTH_PERCENT, SMOOTH_REACH = 0.9, 0.25
ROUGH_PERCENT, ROUGH_REACH = 0.45, 0.06
"""Standard deviation [%] and reach [share of charge] of the two parts at scale 1 (common practice, no source)."""

SCALES = np.array([0.12, 1.0, 2.2])
SCALE_PRIOR = np.array([0.5, 0.3, 0.2])
LEAN_PRECISION = np.array([0.0, 1.0 / 0.03**2, 1.0 / 0.03**2])
"""Where the stray is large, bow and skew have little room: what bends the line above says nothing of it below."""

HEDGE = 0.3
"""Share of the weights of the scales that no evidence takes away: a line that was smooth so far may turn at once."""

MOST_PERCENT = 10.0
"""No draw of the stray is beyond this [%]."""

KEEPS = 0.8
"""What a site's own outages leave of the scales' weights is mixed with the prior's: a gauge may have a kink further
down than the charge ever fell."""


def _covariance(apart: Array) -> Array:
    """Covariance of the stray at two charges, before it is pinned at full, at scale 1 [%²].

    apart : array of float — how far apart they are, as shares of the full charge, 0..1

    A Matérn 3/2 for the smooth part and a Matérn 1/2 for the rough one (Rasmussen and Williams 2006, sec. 4.2.1).
    """
    smooth = np.sqrt(3.0) * apart / SMOOTH_REACH
    return np.asarray(
        SMOOTH_PERCENT**2 * (1.0 + smooth) * np.exp(-smooth) + ROUGH_PERCENT**2 * np.exp(-apart / ROUGH_REACH)
    )


def stray_covariance(left: Array, right: Array) -> Array:
    """Covariance between the stray at some reported charges and at others, at scale 1: (n, m) [%²].

    left, right : (n,), (m,) — the reported charges [%], 0..100. At full the gauge is right, so the covariance is 0.
    """
    a, b = np.asarray(left) / 100.0, np.asarray(right) / 100.0
    free = _covariance(np.abs(a[:, None] - b[None, :]))
    to_full = _covariance(np.abs(1.0 - a))[:, None] * _covariance(np.abs(1.0 - b))[None, :]
    return np.asarray(free - to_full / _covariance(np.zeros(1)))


@lru_cache(maxsize=1024)
def stray_between(apart_percent: float) -> float:
    """How much the stray differs between two charges, at scale 1 [%]: one standard deviation.

    apart_percent : float — how far apart the charges are [%], 0..100
    """
    near, far = _covariance(np.array([0.0, apart_percent / 100.0]))
    return float(np.sqrt(max(2.0 * (near - far), 0.0)))


def remembered(weights: Array) -> Array:
    """Prior weights of the scales for the next discharge (3,), from those that the last one left (3,)."""
    return np.asarray(KEEPS * weights + (1.0 - KEEPS) * SCALE_PRIOR)


def hedged(weight: Array, told: Array) -> Array:
    """Weights of all hypotheses (H,) after the evidence, with the scale varying fastest; their sum is 1.

    weight : (H,) — prior weights
    told : (H,) — natural logarithm of the evidence of each hypothesis

    Each scale keeps the share HEDGE of its prior weight, whatever the evidence says.
    """
    raw = weight * np.exp(told - told.max())
    table = (raw / raw.sum()).reshape(-1, SCALES.size)
    prior = weight.reshape(-1, SCALES.size).sum(axis=0)
    within = weight.reshape(table.shape) * np.exp((told - told.max()).reshape(table.shape) - _peaks(told))
    kept = HEDGE * prior / prior.sum() * within / within.sum(axis=0)
    return np.asarray(((1.0 - HEDGE) * table + kept).ravel())


def _peaks(told: Array) -> Array:
    """For each scale its greatest log evidence over the roundings (3,), less the greatest of all."""
    return np.asarray((told - told.max()).reshape(-1, SCALES.size).max(axis=0))
