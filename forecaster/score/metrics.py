"""Scores of one forecast against what came, right-censored outcomes included.

A forecast is its seven quantiles at `forecaster.domain.forecast.LEVELS`, (7,) in hours; `filled` puts the horizon for
those beyond it. An outcome is the hours until the reserve floor or, where the mains came back first, a lower bound.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy.special import ndtr

from forecaster.domain.forecast import HORIZON_H, LEVELS
from forecaster.maths.arrays import Array


@dataclass(frozen=True, slots=True)
class Outcome:
    """Hours until the reserve floor; with `censored`, it was still not reached after `hours`."""

    hours: float
    censored: bool = False


def filled(quantiles: Sequence[float | None]) -> Array:
    """Quantiles, (7,) [h], with None (beyond the horizon) as the horizon itself: the least that it can mean."""
    return np.array([HORIZON_H if q is None else min(q, HORIZON_H) for q in quantiles])


def pinball(level: float, quantile: float, outcome: Outcome) -> float:
    """Quantile loss [h] (Koenker & Bassett 1978); for a censored outcome the loss that is certain by now.

    level : float — probability of the quantile, 0..1; quantile : float — [h]
    """
    if outcome.hours >= quantile:
        return level * (outcome.hours - quantile)
    return 0.0 if outcome.censored else (1.0 - level) * (quantile - outcome.hours)


def mean_pinball(quantiles: Array, outcome: Outcome) -> float:
    """Mean quantile loss over LEVELS [h]; quantiles : (7,) [h]."""
    return float(np.mean([pinball(p, float(q), outcome) for p, q in zip(LEVELS, quantiles, strict=True)]))


def quantile_score(level: float, quantile: float, value: float) -> float:
    """Twice the quantile loss, as Hyndman & Athanasopoulos write it (FPP3 5.9); in the unit of value."""
    return 2.0 * pinball(level, quantile, Outcome(value))


def crps_quantiles(quantiles: Array, outcome: Outcome) -> float:
    """Continuous ranked probability score [h] from the quantiles: twice the integral of the quantile loss over levels.

    The integral is the sum over LEVELS with each level's share of probability: half-way to its neighbours,
    the outer ones to 0 and 1.
    """
    borders = [0.0, *((a + b) / 2.0 for a, b in pairwise(LEVELS)), 1.0]
    shares = np.diff(borders)
    losses = [pinball(p, float(q), outcome) for p, q in zip(LEVELS, quantiles, strict=True)]
    return 2.0 * float(np.dot(shares, losses))


def crps_ensemble(members: Array, outcome: Outcome) -> float:
    """CRPS of an ensemble [h]: the integral of (F - step)^2; up to the censoring time only where censored.

    members : (M,) — draws of the hours until the reserve floor [h]
    The censored form is the right-censored CRPS of Avati et al. 2020 (Countdown regression).
    """
    ordered = np.sort(members)
    count = ordered.size
    points = np.sort(np.concatenate([ordered, [outcome.hours]]))
    widths = np.diff(points)
    below = np.searchsorted(ordered, points[:-1], side="right") / count
    before = points[:-1] < outcome.hours
    after = 0.0 if outcome.censored else float(np.sum(widths[~before] * (1.0 - below[~before]) ** 2))
    return float(np.sum(widths[before] * below[before] ** 2)) + after


def crps_normal(mean: float, sd: float, value: float) -> float:
    """CRPS of a normal forecast, in the unit of value (Gneiting & Raftery 2007, eq. 21)."""
    z = (value - mean) / sd
    density = math.exp(-0.5 * z * z) / math.sqrt(2.0 * math.pi)
    return sd * (z * (2.0 * float(ndtr(z)) - 1.0) + 2.0 * density - 1.0 / math.sqrt(math.pi))


def winkler(low: float, high: float, value: float, share: float) -> float:
    """Score of a central interval that should hold `share`, 0..1 (Winkler 1972): width, plus a penalty outside."""
    miss = max(low - value, value - high, 0.0)
    return (high - low) + 2.0 / (1.0 - share) * miss


def cdf(quantiles: Array, hours: float) -> float:
    """Probability that the floor is reached by `hours`, 0..1: linear between the quantiles.

    Beyond the outer quantiles the slope of the outermost interval goes on, never past 0 and 1.
    """
    levels = np.asarray(LEVELS)
    if hours <= quantiles[0]:
        return max(0.0, LEVELS[0] - _slope(quantiles[:2]) * (float(quantiles[0]) - hours))
    if hours >= quantiles[-1]:
        return min(1.0, LEVELS[-1] + _slope(quantiles[-2:]) * (hours - float(quantiles[-1])))
    return float(np.interp(hours, quantiles, levels))


def _slope(outer: Array) -> float:
    """Probability per hour between two outer quantiles, which are 0.05 apart."""
    return 0.05 / max(float(outer[1] - outer[0]), 1e-9)


def sample(quantiles: Array, count: int = 200) -> Array:
    """Evenly spaced draws of the piecewise linear distribution that `cdf` describes, shape (count,) [h]."""
    low = quantiles[0] - (quantiles[1] - quantiles[0])
    high = quantiles[-1] + (quantiles[-1] - quantiles[-2])
    levels = (np.arange(count) + 0.5) / count
    return np.asarray(
        np.interp(levels, [0.0, *LEVELS, 1.0], np.concatenate([[max(0.0, low)], quantiles, [high]])), dtype=np.float64
    )


def pit(quantiles: Array, outcome: Outcome, uniform: float) -> float:
    """Probability integral transform, 0..1; a censored outcome is put somewhere in the probability left above it.

    uniform : float — where in that remainder, 0..1, from a seeded generator
    """
    reached = cdf(quantiles, outcome.hours)
    return reached + (1.0 - reached) * uniform if outcome.censored else reached


def coverage(quantiles: Array, outcome: Outcome) -> tuple[float, float, float]:
    """Whether the 10-90 % range holds the outcome: expected, least and greatest, each 0..1.

    A censored outcome that has not passed the range may still end inside or outside it: least is 0, greatest 1, and
    expected is a calibrated forecast's chance of ending inside, given that the floor was not reached by then.
    """
    low, high = float(quantiles[LEVELS.index(0.1)]), float(quantiles[LEVELS.index(0.9)])
    if not outcome.censored:
        hit = float(low <= outcome.hours <= high)
        return hit, hit, hit
    if outcome.hours > high:
        return 0.0, 0.0, 0.0
    reached = min(cdf(quantiles, outcome.hours), 0.9)
    return (0.9 - max(0.1, reached)) / (1.0 - reached), 0.0, 1.0


def relative_error(quantiles: Array, outcome: Outcome) -> float | None:
    """|median / outcome - 1|.

    Of a censored outcome the least that it can be, where the median has already passed; None where it has not.
    """
    middle = float(quantiles[LEVELS.index(0.5)])
    if outcome.censored:
        return 1.0 - middle / outcome.hours if middle < outcome.hours else None
    return abs(middle / outcome.hours - 1.0)
