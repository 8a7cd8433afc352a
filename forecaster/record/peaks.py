"""Peaks over a threshold: what value is exceeded once in so many years, with the uncertainty of a short record.

Excesses of independent peaks over a threshold follow a generalised Pareto distribution (Coles, *An Introduction to
Statistical Modeling of Extreme Values*, chapter 4). A short record says little of its shape, so the shape has a prior.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.special import logsumexp

from forecaster.maths.arrays import Array

SHAPE, SHAPE_SPREAD = 0.1, 0.12
"""Prior of the shape: that of rain, heavier than exponential (Papalexiou and Koutsoyiannis 2013, about 0.11; from
memory), widened for a pit between rain and pump."""

PEAKS_A_YEAR = 12.0
"""Peaks kept, at most, for each year of record. Common practice: two to twelve; no source."""

APART_DAYS = 3.0
"""Peaks closer together belong to one storm. Common practice, no source."""

LEAST_PEAKS = 6
"""A record with fewer tells nothing of what is still to come."""

SHAPES = np.linspace(-0.3, 0.7, 61)
SCALES = np.exp(np.linspace(-3.5, 2.5, 97))
"""The grid of the posterior: shapes, and scales as multiples of the mean exceedance."""


@dataclass(frozen=True, slots=True)
class Peaks:
    """Independent peaks over a threshold.

    threshold : float — in the unit of value; value : (N,) — sizes of the peaks, all greater than the threshold
    bound : (N,) bool — whether a peak may have been greater than its value; years : float — length of record [years]
    """

    threshold: float
    value: Array
    bound: np.ndarray[tuple[int], np.dtype[np.bool_]]
    years: float


@dataclass(frozen=True, slots=True)
class PeakDraws:
    """Draws of what is believed of the peaks.

    threshold : float — in the unit of the peaks; rate : (D,) — peaks over it a year
    scale, shape : (D,) — of the generalised Pareto distribution of the excesses over the threshold
    """

    threshold: float
    rate: Array
    scale: Array
    shape: Array

    def level(self, years: float) -> Array:
        """Value exceeded once in so many years on average, (D,); the threshold where even that is exceeded less."""
        shape = _unflat(self.shape)
        grown = np.expm1(shape * np.log(np.maximum(self.rate * years, 1.0))) / shape
        return np.asarray(self.threshold + self.scale * grown, dtype=np.float64)

    def yearly(self, level: Array) -> Array:
        """How often a year a level is exceeded, (D,); for a level below the threshold, the rate of the threshold."""
        shape = _unflat(self.shape)
        inside = 1.0 + shape * np.maximum(level - self.threshold, 0.0) / self.scale
        still = np.exp(-np.log(np.maximum(inside, 1e-300)) / shape)
        return np.asarray(self.rate * np.where(inside <= 0.0, 0.0, still), dtype=np.float64)

    def document(self, most: int) -> dict[str, Any]:
        """About `most` of the draws, thinned evenly and rounded to five digits, as a study keeps them."""
        step = max(1, self.rate.size // most)
        columns = {"rate": self.rate, "scale": self.scale, "shape": self.shape}
        kept = {name: five_digits(column[::step]) for name, column in columns.items()}
        return {"threshold": self.threshold, **kept}

    @staticmethod
    def of(document: Mapping[str, Any]) -> PeakDraws:
        """The draws from what a study keeps."""
        rate, scale, shape = (np.asarray(document[name], dtype=np.float64) for name in ("rate", "scale", "shape"))
        return PeakDraws(float(document["threshold"]), rate, scale, shape)


def five_digits(values: Array) -> list[float]:
    """Values, (N,), rounded to five digits."""
    return [float(f"{value:.5g}") for value in values]


def peaks_of(day: Array, value: Array, years: float, ceiling: float = np.inf) -> Peaks | None:
    """The independent peaks of a daily series; None where it has too few.

    day : (N,) — days, rising; value : (N,) — the value of each day; years : float — length of the record [years]
    ceiling : float — a value that reaches it may have been greater
    """
    tops = _tops(day, value)
    most = max(LEAST_PEAKS, round(PEAKS_A_YEAR * years))
    if tops.size <= LEAST_PEAKS:
        return None
    sorted_tops = np.sort(value[tops])[::-1]
    threshold = float(sorted_tops[min(most, sorted_tops.size - 1)])
    over = value[tops][value[tops] > threshold]
    if over.size < LEAST_PEAKS:
        return None
    return Peaks(threshold, over, over >= ceiling, years)


def _tops(day: Array, value: Array) -> np.ndarray[tuple[int], np.dtype[np.intp]]:
    """Places of the values that are the greatest within APART_DAYS, so that each storm has one."""
    kept: list[int] = []
    taken = np.zeros(value.size, dtype=bool)
    for place in np.argsort(-value, kind="stable"):
        if not taken[place]:
            kept.append(int(place))
            first, end = np.searchsorted(day, (day[place] - APART_DAYS, day[place] + APART_DAYS + 1e-9))
            taken[first:end] = True
    return np.array(sorted(kept), dtype=np.intp)


def posterior(peaks: Peaks, draws: int, rng: np.random.Generator) -> PeakDraws:
    """Draws, (draws,), of rate, scale and shape given the peaks; a record of less than a year widens the rate."""
    beyond = peaks.value - peaks.threshold
    scales = SCALES * float(beyond.mean())
    shape, scale = (grid.ravel() for grid in np.meshgrid(SHAPES, scales, indexing="ij"))
    log_weight = _log_likelihood(beyond, peaks.bound, scale, shape) - 0.5 * ((shape - SHAPE) / SHAPE_SPREAD) ** 2
    weight = np.exp(log_weight - logsumexp(log_weight))
    chosen = rng.choice(weight.size, size=draws, p=weight / weight.sum())
    rate = rng.gamma(beyond.size + 0.5, 1.0 / peaks.years, draws)
    unseen = max(0.0, 1.0 - peaks.years)
    rate *= np.exp(unseen * rng.normal(0.0, 0.7, draws))
    return PeakDraws(peaks.threshold, rate, scale[chosen], shape[chosen])


def _log_likelihood(
    beyond: Array, bound: np.ndarray[tuple[int], np.dtype[np.bool_]], scale: Array, shape: Array
) -> Array:
    """Log-likelihood of each pair of scale and shape, (G,); a bound counts with the probability of what lies beyond."""
    inside = 1.0 + _unflat(shape)[:, None] * beyond[None, :] / scale[:, None]
    log_still = -np.log(np.maximum(inside, 1e-300)) / _unflat(shape)[:, None]
    log_dense = log_still - np.log(scale)[:, None] - np.log(np.maximum(inside, 1e-300))
    each = np.where(bound[None, :], log_still, log_dense)
    return np.asarray(np.where(inside > 0.0, each, -np.inf).sum(axis=1), dtype=np.float64)


def _unflat(shape: Array) -> Array:
    """Shapes kept just off zero, where the distribution is exponential and the general formula would divide by zero."""
    return np.asarray(np.where(np.abs(shape) < 1e-6, 1e-6, shape), dtype=np.float64)
