"""A line through measurements of a pack over the years: its fade, and when it meets a level.

Generalised least squares with known errors (Aitken 1936): the errors of measurements made alike are shared, and leave
the slope alone.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from forecaster.domain.times import DAY_MS, YEAR_DAYS
from forecaster.maths.arrays import Array

LEAST_DAYS = 30.0
"""Measurements within fewer days tell no line."""

LEAST_POINTS = 2

SURE = 2.5
"""A fade is told once it is so many of its standard errors: in some six of a thousand packs that do not fade."""

GREW, GREW_SURE = 0.12, 3.0
"""A capacity that rose between two tests by more than this share, and by so many of its errors, is another pack."""

FURTHEST_YEARS = 50.0
"""A level that is met later than this is never met."""


@dataclass(frozen=True, slots=True)
class PackPoints:
    """Measurements now and then, oldest first.

    day : (N,) — days since 1970; value : (N,), and covariance : (N, N) in one unit
    tested : (N,) — 1 where a discharge test gave it, 0 for an outage
    """

    day: Array
    value: Array
    covariance: Array
    tested: Array


@dataclass(frozen=True, slots=True)
class Fade:
    """A line through measurements, in their unit: at the first, at the newest, the change, and the change a year.

    Each has its standard error. shared : covariance of the newest and of the change a year
    """

    first: float
    first_error: float
    now: float
    now_error: float
    change: float
    change_error: float
    a_year: float
    a_year_error: float
    shared: float


def fade_of(points: PackPoints) -> Fade | None:
    """A line through the points, tests and outages at a level each; None with too few or within LEAST_DAYS.

    Where they stray further than their errors say, the errors are widened by as much (Birge 1932).
    """
    if points.day.size < LEAST_POINTS or float(np.ptp(points.day)) < LEAST_DAYS:
        return None
    years = (points.day - points.day[0]) / YEAR_DAYS
    mixed = 0.0 < points.tested.mean() < 1.0
    columns = np.column_stack([np.ones(years.size), years, *([points.tested] if mixed else [])])
    if np.linalg.matrix_rank(columns) < columns.shape[1]:
        return None
    white = np.linalg.inv(np.linalg.cholesky(points.covariance))
    means, *_ = np.linalg.lstsq(white @ columns, white @ points.value, rcond=None)
    left = white @ (points.value - columns @ means)
    free = years.size - columns.shape[1]
    scale = max(1.0, float(left @ left) / free) if free else 1.0
    covariance = scale * np.linalg.inv((white @ columns).T @ (white @ columns))
    rows = np.zeros((4, columns.shape[1]))
    rows[:, :2] = [[1.0, 0.0], [1.0, years[-1]], [0.0, years[-1]], [0.0, 1.0]]
    if mixed:
        rows[:2, 2] = 1.0
    told, spread = rows @ means, rows @ covariance @ rows.T
    first, now, change, a_year = told.tolist()
    errors = np.sqrt(np.diag(spread)).tolist()
    shared = float(spread[1, 3])
    return Fade(first, errors[0], now, errors[1], change, errors[2], a_year, errors[3], shared)


def grew(points: PackPoints) -> tuple[float, float] | None:
    """The day of the first test at which the capacity had risen so much that it must be another pack, and the rise as a
    share; None: there is none."""
    tests = np.flatnonzero(points.tested)
    for before, after in pairwise(tests):
        rise = float(points.value[after] - points.value[before])
        pair = points.covariance[np.ix_([before, after], [before, after])]
        error = float(np.sqrt(pair[0, 0] + pair[1, 1] - 2.0 * pair[0, 1]))
        share = rise / float(points.value[before])
        if share > GREW and rise > GREW_SURE * error:
            return float(points.day[after]), share
    return None


def meets(fade: Fade, need: float, last_day: float, now_ms: int) -> tuple[int | None, ...]:
    """When a falling line meets a level, 10, 50 and 90 % points [UTC ms], not before now_ms; None: never."""
    error, lean = fade.a_year_error, fade.shared / fade.a_year_error
    drawn = np.random.default_rng(11).standard_normal((2, 4000))
    a_year = fade.a_year + error * drawn[0]
    rest = np.sqrt(max(fade.now_error**2 - lean**2, 0.0))
    above = fade.now + lean * drawn[0] + rest * drawn[1] - need
    years = np.where(above <= 0.0, 0.0, np.where(a_year < -1e-6, above / np.maximum(-a_year, 1e-6), 1e3))
    return tuple(
        None if year > FURTHEST_YEARS else max(now_ms, round((last_day + YEAR_DAYS * float(year)) * DAY_MS))
        for year in np.quantile(years, (0.1, 0.5, 0.9))
    )
