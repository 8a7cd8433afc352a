"""When a daily measure changed, and how: steps, bends and a steady drift, allowing for days that follow one another.

Forward selection over one column a kind and date, in a regression whose errors follow one another (Prais and Winsten
1954): the greatest gain in chi-square is taken while it passes a limit that allows for the many dates looked at, and
for a look every day (sup-Wald tests: Andrews 1993; the limits are this project's own, by simulation).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from forecaster.maths.arrays import Array

DRIFT_LIMIT = 20.0
"""Gain in chi-square at which a steady drift is told."""

DATED_LIMIT = 26.0
"""The same of a step or a bend at a date of its own: many dates are looked at."""

MOST_CHANGES = 4
LEAST_AFTER = 2
"""Days that must follow a change."""

NEWEST_DAYS, STRIDE = 60, 7
"""Of the newest days each is tried as a date, of those before every seventh, and then those near the best."""

GREATEST_RHO = 0.8
CLIPPED = 3.0
"""A single day counts as no further from its neighbours than so many deviations."""

LEAST_SPREAD = 0.003
"""No day is known better than this, as a share."""

TO_DEVIATION = 1.4826
"""From the median absolute deviation to the standard deviation of a normal distribution."""


class ChangeShape(StrEnum):
    """How a measure changes."""

    DRIFT = "drift"
    STEP = "step"
    BEND = "bend"


@dataclass(frozen=True, slots=True)
class DatedChange:
    """A change that is more than chance.

    at_day : float | None — its date, in the series' days; None: from the beginning
    gain : float — what it adds to chi-square
    """

    shape: ChangeShape
    at_day: float | None
    gain: float

    def column(self, day: Array) -> Array:
        """What it adds at each day, but for its size: 0 or 1 of a step, years of a drift or bend, (N,)."""
        if self.shape is ChangeShape.STEP:
            return np.asarray(day >= (self.at_day or 0.0), dtype=np.float64)
        from_day = float(day[0]) if self.at_day is None else self.at_day
        return np.clip(day - from_day, 0.0, None) / 365.25


@dataclass(frozen=True, slots=True)
class DailySeries:
    """A daily measure as a share of what is usual, oldest first; all (N,).

    day : days since 1970; value : the measure, of the size of 1
    variance : of each value, by its own sampling
    beside : (N, K) — what moves it from day to day and is no change of it
    """

    day: Array
    value: Array
    variance: Array
    beside: Array

    def since(self, day: float) -> DailySeries:
        """The days from one on."""
        kept = self.day >= day
        return DailySeries(self.day[kept], self.value[kept], self.variance[kept], self.beside[kept])

    def until(self, day: float) -> DailySeries:
        """The days before one."""
        kept = self.day < day
        return DailySeries(self.day[kept], self.value[kept], self.variance[kept], self.beside[kept])


@dataclass(frozen=True, slots=True)
class SeriesErrors:
    """How a series strays: (N,) deviation of each day, and how alike one day is to the next, 0..1."""

    deviation: Array
    rho: float


def smooth(values: Array, half: int = 2) -> Array:
    """Running median over a window that is cut at both ends, (N,)."""
    padded = np.concatenate([np.full(half, np.nan), values, np.full(half, np.nan)])
    return np.asarray(np.nanmedian(np.lib.stride_tricks.sliding_window_view(padded, 2 * half + 1), axis=1))


def errors_of(series: DailySeries, changes: Sequence[DatedChange] = ()) -> tuple[Array, SeriesErrors]:
    """The values with single odd days brought in, and how they stray around a smooth course and some changes."""
    middle = smooth(series.value)
    away = series.value - middle
    spread = max(TO_DEVIATION * float(np.median(np.abs(away))), LEAST_SPREAD)
    usual = np.maximum(spread, np.sqrt(series.variance))
    value = middle + np.clip(away, -CLIPPED * usual, CLIPPED * usual)
    rough = value - _course(series, value, changes)
    beyond = max(float(np.mean(rough**2 - np.minimum(series.variance, rough.var()))), LEAST_SPREAD**2)
    deviation = np.sqrt(series.variance + beyond)
    scaled = rough / deviation
    scaled = scaled - scaled.mean()
    rho = float(np.dot(scaled[1:], scaled[:-1]) / max(float(np.dot(scaled, scaled)), 1e-12)) if scaled.size > 9 else 0.0
    return value, SeriesErrors(deviation, float(np.clip(rho + 2.0 / max(scaled.size, 10), 0.0, GREATEST_RHO)))


def _course(series: DailySeries, value: Array, changes: Sequence[DatedChange]) -> Array:
    """A course that bends every few weeks, and what moves the measure beside it: what is left is the straying, (N,)."""
    span = float(series.day[-1] - series.day[0])
    knots = series.day[0] + np.arange(1, max(1, int(span // 42))) * 42.0
    bends = [np.clip(series.day - knot, 0.0, None) for knot in knots]
    told = [change.column(series.day) for change in changes]
    columns = np.column_stack([np.ones(series.day.size), series.day - series.day[0], *bends, *told, series.beside])
    columns = columns / np.maximum(np.abs(columns).max(axis=0), 1e-9)
    found, *_ = np.linalg.lstsq(columns, value, rcond=None)
    return np.asarray(columns @ found, dtype=np.float64)


def whitened(columns: Array, day: Array, errors: SeriesErrors) -> Array:
    """Columns in units of their deviation with what the day before tells taken off, (N,) or (N, K)."""
    scaled = (columns.T / errors.deviation).T
    if errors.rho == 0.0 or day.size < 2:
        return np.asarray(scaled, dtype=np.float64)
    alike = errors.rho ** np.maximum(np.diff(day), 1.0)
    left = np.sqrt(1.0 - alike**2)
    rest = ((scaled[1:].T - alike * scaled[:-1].T) / left).T
    return np.concatenate([scaled[:1], rest])


def changes_of(series: DailySeries) -> tuple[DatedChange, ...]:
    """Changes of a series that are more than chance, the greatest first. It needs ten days."""
    tried = _tried(series.day)
    plain = np.column_stack([change.column(series.day) for change in tried])
    found: list[DatedChange] = []
    while len(found) < MOST_CHANGES:
        value, errors = errors_of(series, found)
        told = [change.column(series.day) for change in found]
        known = np.column_stack([np.ones(series.day.size), *told, series.beside])
        columns, known, goal = (whitened(one, series.day, errors) for one in (plain, known, value))
        best = _best(tried, columns, series, errors, known, goal)
        if best is None:
            break
        found.append(best)
    return tuple(found)


def _tried(day: Array) -> list[DatedChange]:
    """A drift, and steps and bends at many dates."""
    dates = np.unique(np.concatenate([np.arange(LEAST_AFTER, day.size, STRIDE), np.arange(day.size)[-NEWEST_DAYS:]]))
    dates = dates[(dates >= LEAST_AFTER) & (dates <= day.size - LEAST_AFTER)]
    dated = [DatedChange(shape, float(day[at]), 0.0) for shape in (ChangeShape.STEP, ChangeShape.BEND) for at in dates]
    return [DatedChange(ChangeShape.DRIFT, None, 0.0), *dated]


def _best(
    tried: list[DatedChange], columns: Array, series: DailySeries, errors: SeriesErrors, known: Array, goal: Array
) -> DatedChange | None:
    """The change that explains most of what is left, where it passes its limit."""
    day = series.day
    best = _gained(tried, columns, known, goal)
    if best.at_day is not None:
        middle = int(np.searchsorted(day, best.at_day))
        near = range(max(LEAST_AFTER, middle - STRIDE), min(day.size - LEAST_AFTER, middle + STRIDE) + 1)
        closer = [DatedChange(best.shape, float(day[at]), 0.0) for at in near]
        fine = whitened(np.column_stack([change.column(day) for change in closer]), day, errors)
        best = _gained(closer, fine, known, goal)
    limit = DRIFT_LIMIT if best.at_day is None else DATED_LIMIT
    return best if best.gain >= limit else None


def _gained(tried: list[DatedChange], columns: Array, known: Array, goal: Array) -> DatedChange:
    """The best of some changes, with its gain; a drift goes before a dated one that is hardly better."""
    axes, _ = np.linalg.qr(known)
    columns = columns - axes @ (axes.T @ columns)
    left = goal - axes @ (axes.T @ goal)
    length = np.sqrt((columns**2).sum(axis=0))
    usable = length > 1e-6
    gain = np.zeros(len(tried))
    gain[usable] = (columns.T @ left)[usable] ** 2 / length[usable] ** 2
    score = gain - np.where([change.at_day is None for change in tried], 0.0, DATED_LIMIT - DRIFT_LIMIT)
    at = int(np.argmax(score))
    return DatedChange(tried[at].shape, tried[at].at_day, float(gain[at]))
