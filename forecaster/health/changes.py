"""When a daily measure changed, and how: steps, bends and a steady drift.

Forward selection in a regression with autocorrelated errors (Prais and Winsten 1954). Each kind of change at each date
is a candidate column; the one with the greatest gain in chi-square is taken, as long as the gain passes a limit. The
limit allows for the many dates tried and for a look every day (sup-Wald tests: Andrews 1993; the limits themselves are
this project's own, by simulation).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from forecaster.domain.times import YEAR_DAYS
from forecaster.maths.arrays import Array

DRIFT_LIMIT = 20.0
"""Gain in chi-square at which a steady drift is told."""

DATED_LIMIT = 26.0
"""The same for a step or a bend, which has a date: higher, because many dates are tried."""

MOST_CHANGES = 4
LEAST_AFTER = 2
"""Days of the series that must lie before a change, and after it."""

NEWEST_DAYS, STRIDE = 60, 7
"""Each of the newest days is tried as a date, and every seventh of those before; then the days near the best."""

GREATEST_RHO = 0.8
CLIPPED = 3.0
"""A single odd day is moved in to this many deviations from its neighbours."""

LEAST_SPREAD = 0.003
"""Least deviation of a day, as a share of the usual value: no day is known better."""

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
        """Its regressor, (N,): 0 before and 1 from a step on; years since the beginning of a drift or a bend."""
        if self.shape is ChangeShape.STEP:
            return np.asarray(day >= (self.at_day or 0.0), dtype=np.float64)
        from_day = float(day[0]) if self.at_day is None else self.at_day
        return np.clip(day - from_day, 0.0, None) / YEAR_DAYS


@dataclass(frozen=True, slots=True)
class DailySeries:
    """A daily measure as a share of what is usual, oldest first; all (N,).

    day : days since 1970; value : the measure, of the size of 1
    variance : of each value, from its own sampling
    beside : (N, K) — regressors for what moves the measure from day to day and is no change of it
    """

    day: Array
    value: Array
    variance: Array
    beside: Array

    def since(self, day: float) -> DailySeries:
        """The part from a day on."""
        kept = self.day >= day
        return DailySeries(self.day[kept], self.value[kept], self.variance[kept], self.beside[kept])

    def until(self, day: float) -> DailySeries:
        """The part before a day."""
        kept = self.day < day
        return DailySeries(self.day[kept], self.value[kept], self.variance[kept], self.beside[kept])


@dataclass(frozen=True, slots=True)
class SeriesErrors:
    """How a series strays from its course.

    deviation : (N,) — standard deviation of each day; rho : float — correlation of a day with the next, 0..0.8
    """

    deviation: Array
    rho: float


def smooth(values: Array, half: int = 2) -> Array:
    """Running median over `half` values on either side, (N,); the window is cut short at both ends."""
    padded = np.concatenate([np.full(half, np.nan), values, np.full(half, np.nan)])
    return np.asarray(np.nanmedian(np.lib.stride_tricks.sliding_window_view(padded, 2 * half + 1), axis=1))


def errors_of(series: DailySeries, changes: Sequence[DatedChange] = ()) -> tuple[Array, SeriesErrors]:
    """The values with single odd days moved in, (N,), and their errors around a smooth course with some changes."""
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
    """Fitted values, (N,): a line that may bend every six weeks, the changes, and what stands beside the series."""
    span = float(series.day[-1] - series.day[0])
    knots = series.day[0] + np.arange(1, max(1, int(span // 42))) * 42.0
    bends = [np.clip(series.day - knot, 0.0, None) for knot in knots]
    told = [change.column(series.day) for change in changes]
    columns = np.column_stack([np.ones(series.day.size), series.day - series.day[0], *bends, *told, series.beside])
    columns = columns / np.maximum(np.abs(columns).max(axis=0), 1e-9)
    found, *_ = np.linalg.lstsq(columns, value, rcond=None)
    return np.asarray(columns @ found, dtype=np.float64)


def whitened(columns: Array, day: Array, errors: SeriesErrors) -> Array:
    """Columns over each day's deviation, less what the day before predicts of them, (N,) or (N, K)."""
    scaled = (columns.T / errors.deviation).T
    if errors.rho == 0.0 or day.size < 2:
        return np.asarray(scaled, dtype=np.float64)
    alike = errors.rho ** np.maximum(np.diff(day), 1.0)
    left = np.sqrt(1.0 - alike**2)
    rest = ((scaled[1:].T - alike * scaled[:-1].T) / left).T
    return np.concatenate([scaled[:1], rest])


def changes_of(series: DailySeries) -> tuple[DatedChange, ...]:
    """Changes that are more than chance, the greatest first, MOST_CHANGES at most. The series needs ten days."""
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
    """The change that explains most of what is left; None where its gain does not pass its limit."""
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
    """The best of some changes, with its gain; a drift is preferred to a dated change that is hardly better."""
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
