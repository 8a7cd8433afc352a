"""When a daily measure changed, and how: steps, bends and a steady drift.

Forward selection in a regression with autocorrelated errors (Prais and Winsten 1954). Each kind of change at each date
is a candidate column; the one with the greatest gain in chi-square is taken, as long as the gain passes a limit. The
limit allows for the many dates tried and for a look every day (sup-Wald tests: Andrews 1993; the limits themselves are
this project's own, by simulation). The gain is a likelihood ratio, and so reckoned with the errors around a course that
has the change as well: errors around one that lacks it hold the change itself, and hide it the better the greater it is
and the shorter the record (Vogelsang 1999 on such tests).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

from forecaster.domain.times import YEAR_DAYS
from forecaster.maths.arrays import Array

DRIFT_LIMIT = 20.0
"""Gain in chi-square at which a steady drift is told."""

DATED_LIMIT = 26.0
"""The same for a step or a bend, which has a date: higher, because many dates are tried."""

FRESH_LIMIT, FRESH_DAYS = 15.0, 14
"""The same for a fall that began within so many of the newest days, where falls are looked for besides: lower, because
fewer dates are tried, and one way. Of 40 simulated healthy years with a look a day, one passed it (15.1)."""

SELDOM_MISSED = 1.28
"""What is so many standard errors beyond a limit passes it nine times in ten (normal errors)."""

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


def changes_of(series: DailySeries, *, falls: bool = False) -> tuple[DatedChange, ...]:
    """Changes that are more than chance, the greatest first, MOST_CHANGES at most. The series needs ten days.

    falls : whether a fall that has only begun is looked for besides, by FRESH_LIMIT
    """
    tried = _tried(series.day)
    plain = np.column_stack([change.column(series.day) for change in tried])
    found: list[DatedChange] = []
    while len(found) < MOST_CHANGES:
        without = _best(tried, plain, series, found, found)
        best = _best(tried, plain, series, found, [*found, without])
        best = replace(best, gain=_likelier(best.gain, series.day.size))
        if best.gain < (DRIFT_LIMIT if best.at_day is None else DATED_LIMIT):
            break
        found.append(best)
    begun = _begun_fall(series, found) if falls and len(found) < MOST_CHANGES else None
    return tuple(found) if begun is None else (*found, begun)


def _begun_fall(series: DailySeries, found: list[DatedChange]) -> DatedChange | None:
    """The step down, or bend downwards, of the newest FRESH_DAYS that explains most; None where it may be chance."""
    tried = _dated(series.day, range(max(LEAST_AFTER, series.day.size - FRESH_DAYS), series.day.size - LEAST_AFTER + 1))
    plain = np.column_stack([change.column(series.day) for change in tried])
    around = found
    for _ in range(2):
        value, errors = errors_of(series, around)
        columns, known, goal = (whitened(one, series.day, errors) for one in (plain, _known(series, found), value))
        away = _deviations(columns, known, goal)
        best = tried[int(np.argmin(away))]
        around = [*found, best]
    gain = _likelier(min(float(away.min()), 0.0) ** 2, series.day.size)
    return replace(best, gain=gain) if gain >= FRESH_LIMIT else None


def _likelier(gain: float, days: int) -> float:
    """The likelihood ratio of a change in chi-square, from its gain by errors around a course that has it.

    Of N days with normal errors of a variance that is not known, N log(1 + W / N) for Wald's W. W itself passes the
    limits too often in a short record, where the change is fitted to the errors too.
    """
    return days * float(np.log1p(gain / days))


def least_step(course: Sequence[DatedChange], series: DailySeries, newest: float) -> float:
    """The least step that would be told by now, had it come so many days before the end; infinite where none is.

    course : the changes that are told; the step is in the unit of the series
    """
    _, errors = errors_of(series, course)
    step = DatedChange(ChangeShape.STEP, float(series.day[-1]) - newest + 1.0, 0.0).column(series.day)
    axes, _ = np.linalg.qr(whitened(_known(series, course), series.day, errors))
    white = whitened(step, series.day, errors)
    length = float(np.linalg.norm(white - axes @ (axes.T @ white)))
    days = series.day.size
    told = float(np.sqrt(days * np.expm1(DATED_LIMIT / days))) + SELDOM_MISSED
    return told / length if length > 1e-6 else float("inf")


def _known(series: DailySeries, found: Sequence[DatedChange]) -> Array:
    """The regressors of a level, of some changes and of what stands beside the series, (N, K)."""
    told = [change.column(series.day) for change in found]
    return np.column_stack([np.ones(series.day.size), *told, series.beside])


def _tried(day: Array) -> list[DatedChange]:
    """A drift, and steps and bends at many dates."""
    dates = np.unique(np.concatenate([np.arange(LEAST_AFTER, day.size, STRIDE), np.arange(day.size)[-NEWEST_DAYS:]]))
    dates = dates[(dates >= LEAST_AFTER) & (dates <= day.size - LEAST_AFTER)]
    return [DatedChange(ChangeShape.DRIFT, None, 0.0), *_dated(day, dates)]


def _dated(day: Array, dates: Iterable[int]) -> list[DatedChange]:
    """Steps and bends on some days of a series, by their places in it."""
    dates = list(dates)
    return [DatedChange(shape, float(day[at]), 0.0) for shape in (ChangeShape.STEP, ChangeShape.BEND) for at in dates]


def _best(
    tried: list[DatedChange], plain: Array, series: DailySeries, found: list[DatedChange], around: list[DatedChange]
) -> DatedChange:
    """The change that explains most of what is left, with its gain by the errors around a course with some changes."""
    day = series.day
    value, errors = errors_of(series, around)
    columns, known, goal = (whitened(one, day, errors) for one in (plain, _known(series, found), value))
    best = _gained(tried, columns, known, goal)
    if best.at_day is None:
        return best
    middle = int(np.searchsorted(day, best.at_day))
    near = range(max(LEAST_AFTER, middle - STRIDE), min(day.size - LEAST_AFTER, middle + STRIDE) + 1)
    closer = [DatedChange(best.shape, float(day[at]), 0.0) for at in near]
    fine = whitened(np.column_stack([change.column(day) for change in closer]), day, errors)
    return _gained(closer, fine, known, goal)


def _gained(tried: list[DatedChange], columns: Array, known: Array, goal: Array) -> DatedChange:
    """The best of some changes, with its gain; a drift is preferred to a dated change that is hardly better."""
    gain = _deviations(columns, known, goal) ** 2
    score = gain - np.where([change.at_day is None for change in tried], 0.0, DATED_LIMIT - DRIFT_LIMIT)
    at = int(np.argmax(score))
    return DatedChange(tried[at].shape, tried[at].at_day, float(gain[at]))


def _deviations(columns: Array, known: Array, goal: Array) -> Array:
    """Coefficient of each whitened column over its standard error, fitted beside known ones, (K,); 0 where it adds
    nothing to them."""
    axes, _ = np.linalg.qr(known)
    columns = columns - axes @ (axes.T @ columns)
    left = goal - axes @ (axes.T @ goal)
    length = np.sqrt((columns**2).sum(axis=0))
    return np.asarray(np.where(length > 1e-6, columns.T @ left / np.maximum(length, 1e-6), 0.0), dtype=np.float64)
