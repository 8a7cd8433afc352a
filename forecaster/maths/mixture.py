"""Quantiles of a mixture of normal distributions."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.special import ndtr, ndtri

from forecaster.maths.arrays import Array

_STEPS = 5
_ARRIVED = 1e-4
_ROOT_TWO_PI = float(np.sqrt(2.0 * np.pi))
_HALVINGS = 16
_CLOSE = 0.01
"""Probability within a bracket that a straight line crosses to within a thousandth."""

_REACH = 6.0
_LEAST_WEIGHT = 1e-4


def mixture_quantiles(mean: Array, deviation: Array, weight: Array, levels: Sequence[float]) -> list[float]:
    """Values below which a mixture of normals lies with the probabilities asked for, to within a thousandth.

    mean, deviation, weight : (K,) — of each component; a deviation may be 0, the weights sum to 1
    levels : probabilities, strictly between 0 and 1
    Components of less than a ten-thousandth of the greatest weight are left out. Newton's steps from the normal
    distribution of the same mean and variance; where they do not arrive soon, halving.
    """
    kept = weight > _LEAST_WEIGHT * weight.max()
    middle, spread = mean[kept], np.maximum(deviation[kept], 1e-12)
    share = weight[kept] / weight[kept].sum()
    wanted = np.asarray(levels, dtype=np.float64)
    found = _by_newton(middle, spread, share, wanted)
    return [float(v) for v in (_by_halving(middle, spread, share, wanted) if found is None else found)]


def _by_newton(middle: Array, spread: Array, share: Array, wanted: Array) -> Array | None:
    centre = float(share @ middle)
    wide = float(np.sqrt(share @ ((middle - centre) ** 2 + spread**2)))
    value = centre + wide * ndtri(wanted)
    for _ in range(_STEPS):
        z = (value[:, None] - middle) / spread
        miss = ndtr(z) @ share - wanted
        if float(np.abs(miss).max()) < _ARRIVED:
            return np.asarray(value)
        density = np.exp(-0.5 * z * z) @ (share / spread) / _ROOT_TWO_PI
        value = value - np.clip(miss / np.maximum(density, 1e-300), -wide, wide)
    return None


def _by_halving(middle: Array, spread: Array, share: Array, wanted: Array) -> Array:
    """Halve the bracket of each quantile until it is narrow, then go on in a straight line."""
    low = np.full(wanted.size, float((middle - _REACH * spread).min()))
    high = np.full(wanted.size, float((middle + _REACH * spread).max()))
    at_low, at_high = np.zeros(wanted.size), np.ones(wanted.size)
    for _ in range(_HALVINGS):
        half = 0.5 * (low + high)
        reached = ndtr((half[:, None] - middle) / spread) @ share
        below = reached < wanted
        low, high = np.where(below, half, low), np.where(below, high, half)
        at_low, at_high = np.where(below, reached, at_low), np.where(below, at_high, reached)
        if float((at_high - at_low).max()) < _CLOSE:
            break
    rise = np.maximum(at_high - at_low, 1e-300)
    return np.asarray(low + (high - low) * np.clip((wanted - at_low) / rise, 0.0, 1.0))
