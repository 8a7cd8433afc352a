"""Where a daily measure stands against its beginning, and where it goes, with ranges."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from statsmodels.regression.linear_model import GLSAR

from forecaster.domain.times import YEAR_DAYS
from forecaster.health.changes import ChangeShape, DailySeries, DatedChange, changes_of, errors_of
from forecaster.maths.arrays import Array

BASELINE_DAYS = 28.0
"""Days from the beginning over which the baseline is taken."""

NEWEST = 5
"""Newest days that are compared with the course: how far they stray from it widens the range."""

PACE = 0.08
"""Deviation of the pace at which wear goes on, as a share of its pace so far. By simulation."""

LEAST_DAYS = 10
"""Days that a course rests on at least."""


@dataclass(frozen=True, slots=True)
class Course:
    """A measure over time, in the unit of its series.

    changes : those that are more than chance, the greatest first
    base, base_error : level over the baseline, and its standard error
    now, now_error : level on the last day
    change, change_error : now less base
    slope, slope_error : change a year at the end; 0 where the level stands still
    covariance : of slope and now
    day, path : (N,) — the days of the series, and the level on each
    """

    changes: tuple[DatedChange, ...]
    base: float
    base_error: float
    now: float
    now_error: float
    change: float
    change_error: float
    slope: float
    slope_error: float
    covariance: float
    day: Array
    path: Array

    @property
    def first_day(self) -> float:
        """The first day of the series."""
        return float(self.day[0])

    @property
    def last_day(self) -> float:
        """The last day of the series."""
        return float(self.day[-1])

    def level(self, day: float) -> float:
        """The level on a day (days since 1970), linear between those of the series."""
        return float(np.interp(day, self.day, self.path))

    @property
    def since_day(self) -> float | None:
        """Date of the newest dated change; None: there is none."""
        dated = [change.at_day for change in self.changes if change.at_day is not None]
        return max(dated, default=None)

    def sure(self, *, upward: bool | None = None) -> bool:
        """Whether the level differs from the baseline by more than chance: up (True), down (False), either (None)."""
        if not self.changes or abs(self.change) < 2.0 * self.change_error:
            return False
        return upward is None or (self.change > 0.0) == upward


def course_of(series: DailySeries) -> Course | None:
    """The course of a series, fitted with autocorrelated errors (GLSAR); None with fewer than LEAST_DAYS days."""
    if series.day.size < LEAST_DAYS:
        return None
    changes = changes_of(series)
    value, errors = errors_of(series, changes)
    told = changes or (DatedChange(ChangeShape.DRIFT, None, 0.0),)
    columns = np.column_stack([np.ones(series.day.size), *(c.column(series.day) for c in told), series.beside])
    scaled = (columns.T / errors.deviation).T
    fitted = GLSAR(value / errors.deviation, scaled, rho=np.array([errors.rho])).fit()
    means, covariance = np.asarray(fitted.params), np.asarray(fitted.cov_params())
    usual = columns[:, 1 + len(told) :].mean(axis=0)
    early = series.day < series.day[0] + BASELINE_DAYS
    base = np.concatenate([columns[early, : 1 + len(told)].mean(axis=0), usual])
    end = np.concatenate([columns[-1, : 1 + len(told)], usual])
    rising = np.array([0.0, *(float(c.shape is not ChangeShape.STEP) for c in told), *np.zeros(usual.size)])
    if not changes:
        rising[:] = 0.0
    chance = float(np.mean(errors.deviation[-NEWEST:] ** 2)) * (1.0 + errors.rho) / (1.0 - errors.rho) / NEWEST
    astray = float(np.sqrt(max(float(np.mean((value - columns @ means)[-NEWEST:])) ** 2 - 4.0 * chance, 0.0)))
    now, now_error = _told(end, means, covariance)
    change, change_error = _told(end - base, means, covariance)
    return Course(
        changes, *_told(base, means, covariance), now, float(np.hypot(now_error, astray)),
        change, float(np.hypot(change_error, astray)), *_told(rising, means, covariance),
        float(rising @ covariance @ end), series.day,
        columns[:, : 1 + len(told)] @ means[: 1 + len(told)] + float(usual @ means[1 + len(told) :]),
    )  # fmt: skip


def _told(row: Array, means: Array, covariance: Array) -> tuple[float, float]:
    """Mean and standard error of a weighted sum of the coefficients; row : (K,) — the weights."""
    return float(row @ means), float(np.sqrt(max(float(row @ covariance @ row), 0.0)))


def below_days(course: Course, need: float, draws: int = 4000, seed: int = 7) -> tuple[float | None, ...] | None:
    """Days from the last one until the measure falls to a level, as 10, 50 and 90 % quantiles; None: it does not fall.

    need : float — the level, in the unit of the series. A quantile beyond fifty years is None.
    """
    if course.slope >= 0.0 or course.slope > -2.0 * course.slope_error:
        return None
    pace_error = float(np.hypot(course.slope_error, PACE * course.slope))
    both = [[course.now_error**2, course.covariance], [course.covariance, pace_error**2]]
    rng = np.random.default_rng(seed)
    drawn = rng.multivariate_normal([course.now, course.slope], both, size=draws, method="eigh")
    years = np.where(drawn[:, 1] < -1e-4, (drawn[:, 0] - need) / np.maximum(-drawn[:, 1], 1e-4), 1e3)
    found = np.quantile(np.maximum(years, 0.0), (0.1, 0.5, 0.9))
    return tuple(None if year > 50.0 else float(YEAR_DAYS * year) for year in found)
