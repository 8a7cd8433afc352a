"""Medians and quantiles of small arrays without NaN: numpy's, without the checks that make them slow."""

from __future__ import annotations

import numpy as np

from forecaster.maths.arrays import Array, Paths


def median(values: Paths) -> float:
    """Median of values, (N,), at least one and none NaN: the same as numpy's."""
    half, ordered = values.size // 2, np.sort(values)
    return float(ordered[half] if values.size % 2 else 0.5 * (ordered[half - 1] + ordered[half]))


def linear_quantile(ordered: Array, level: float) -> float:
    """Quantile of sorted draws, (draws,), at a level, 0..1, linear between them: the same as numpy's default."""
    spot = level * (ordered.size - 1)
    low = int(spot)
    high = min(low + 1, ordered.size - 1)
    return float(ordered[low] + (spot - low) * (ordered[high] - ordered[low]))
