"""Quantiles of a mixture of normal distributions."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.special import ndtr, ndtri

from forecaster.maths.arrays import Array

_STEPS = 5
_ARRIVED = 1e-4
_ROOT_TWO_PI = float(np.sqrt(2.0 * np.pi))
_PROBES = 60
_CLOSE = 0.01
"""Probability within a bracket that a straight line mostly crosses to within a thousandth; it is looked at, for a
component may be much narrower than the bracket."""

_WITHIN = 5e-4

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
    share = weight[kept]
    share /= share.sum()
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
        step = miss / np.maximum(density, 1e-300)
        value = value - np.minimum(np.maximum(step, -wide), wide)
    return None


def _by_halving(middle: Array, spread: Array, share: Array, wanted: Array) -> Array:
    """Halve the bracket of each quantile until it is narrow; then look where a straight line across it arrives."""
    low = np.full(wanted.size, float((middle - _REACH * spread).min()))
    high = np.full(wanted.size, float((middle + _REACH * spread).max()))
    at_low, at_high = np.zeros(wanted.size), np.ones(wanted.size)
    value = 0.5 * (low + high)
    for probe in range(_PROBES):
        reached = ndtr((value[:, None] - middle) / spread) @ share
        if float(np.abs(reached - wanted).max()) < _WITHIN:
            break
        below = reached < wanted
        low, high = np.where(below, value, low), np.where(below, high, value)
        at_low, at_high = np.where(below, reached, at_low), np.where(below, at_high, reached)
        within = at_high - at_low
        line = np.clip((wanted - at_low) / np.maximum(within, 1e-300), 0.0, 1.0)
        share_of_way = np.where((within < _CLOSE) & (probe % 2 == 0), line, 0.5)
        value = low + (high - low) * share_of_way
    return np.asarray(value)
