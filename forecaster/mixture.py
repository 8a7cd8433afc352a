"""Quantiles of a mixture of normal distributions."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

Array = NDArray[np.float64]

_HALVINGS = 16
_CLOSE = 0.01
"""Probability within a bracket that a straight line crosses to within a thousandth."""

_REACH = 6.0
_LEAST_WEIGHT = 1e-4


def mixture_quantiles(mean: Array, deviation: Array, weight: Array, levels: Sequence[float]) -> list[float]:
    """Values below which a mixture of normals lies with the probabilities asked for, by halving.

    The bracket left is crossed by a straight line; the probability met is within a thousandth of the one asked for.

    mean, deviation, weight : (K,) — of each component; a deviation may be 0, the weights sum to 1
    levels : probabilities, strictly between 0 and 1
    Components of less than a ten-thousandth of the greatest weight are left out.
    """
    kept = weight > _LEAST_WEIGHT * weight.max()
    middle, spread = mean[kept], np.maximum(deviation[kept], 1e-12)
    share = weight[kept] / weight[kept].sum()
    wanted = np.asarray(levels, dtype=np.float64)
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
    return [float(v) for v in low + (high - low) * np.clip((wanted - at_low) / rise, 0.0, 1.0)]
