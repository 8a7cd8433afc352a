"""Where a daily measure stands against its beginning, and where it goes, with ranges."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from statsmodels.regression.linear_model import GLSAR

from forecaster.domain.times import YEAR_DAYS
from forecaster.health.changes import ChangeShape, DailySeries, DatedChange, changes_of, errors_of, least_step
from forecaster.maths.arrays import Array

BASELINE_DAYS = 28.0
"""Days from the beginning over which the baseline is taken, or fewer where something changes within them."""

NEWEST = 5
"""Newest days that are compared with the course: how far they stray from it widens the range."""

PACE_VARIANCE = 0.05
"""By how much a year's wear strays from its mean: variance over mean². Wear never goes back, so that of some years is
taken for gamma distributed (a gamma process: van Noortwijk, Reliab. Eng. Syst. Saf. 94 (2009) 2). So great that a range
of 80 % holds the day in four of five of the simulated pumps whose wear is told (`tests.forecaster.health.wearing`); by
their moments it would be 0.08, for a few of them stray far."""

SOON_YEARS = 1.0 / 12.0
"""A mean pace over less than this strays no further than one over this [years]. This project's own choice."""

LEAST_DAYS = 10
"""Days that a course rests on at least."""

FRESH_DAYS = 7.0
"""A change that is so old should be told, if it is great enough to be told at all."""


@dataclass(frozen=True, slots=True)
class Course:
    """A measure over time, in the unit of its series.

    changes : those that are more than chance, the greatest first
    base, base_error : level over the baseline, and its standard error
    now, now_error : level on the last day
    change, change_error : now less base
    moves_from : day from which on it moves, with bends and steps; None: it stands still, but for steps
    least : the least step that would be told, had it come FRESH_DAYS ago
    day, path : (N,) — the days of the series, and the level on each
    """

    changes: tuple[DatedChange, ...]
    base: float
    base_error: float
    now: float
    now_error: float
    change: float
    change_error: float
    moves_from: float | None
    least: float
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


def course_of(series: DailySeries, *, falls: bool = False) -> Course | None:
    """The course of a series, fitted with autocorrelated errors (GLSAR); None with fewer than LEAST_DAYS days.

    falls : whether a fall that has only begun is looked for besides, see `changes.changes_of`
    """
    if series.day.size < LEAST_DAYS:
        return None
    changes = changes_of(series, falls=falls)
    value, errors = errors_of(series, changes)
    told = changes or (DatedChange(ChangeShape.DRIFT, None, 0.0),)
    columns = np.column_stack([np.ones(series.day.size), *(c.column(series.day) for c in told), series.beside])
    scaled = (columns.T / errors.deviation).T
    fitted = GLSAR(value / errors.deviation, scaled, rho=np.array([errors.rho])).fit()
    means, covariance = np.asarray(fitted.params), np.asarray(fitted.cov_params())
    usual = columns[:, 1 + len(told) :].mean(axis=0)
    early = series.day < _baseline_end(series.day, changes)
    base = np.concatenate([columns[early, : 1 + len(told)].mean(axis=0), usual])
    end = np.concatenate([columns[-1, : 1 + len(told)], usual])
    chance = float(np.mean(errors.deviation[-NEWEST:] ** 2)) * (1.0 + errors.rho) / (1.0 - errors.rho) / NEWEST
    astray = float(np.sqrt(max(float(np.mean((value - columns @ means)[-NEWEST:])) ** 2 - 4.0 * chance, 0.0)))
    now, now_error = _told(end, means, covariance)
    change, change_error = _told(end - base, means, covariance)
    return Course(
        changes, *_told(base, means, covariance), now, float(np.hypot(now_error, astray)),
        change, float(np.hypot(change_error, astray)), _moves_from(changes, series.day, early),
        least_step(changes, series, FRESH_DAYS), series.day,
        columns[:, : 1 + len(told)] @ means[: 1 + len(told)] + float(usual @ means[1 + len(told) :]),
    )  # fmt: skip


def _baseline_end(day: Array, changes: Sequence[DatedChange]) -> float:
    """The day that ends the baseline: no change may lie in it, or it would be understated."""
    return min([float(day[0]) + BASELINE_DAYS, *(change.at_day for change in changes if change.at_day is not None)])


def _moves_from(changes: Sequence[DatedChange], day: Array, early: NDArray[np.bool_]) -> float | None:
    """The date of a bend that comes before all else; the middle of the baseline, where something else comes first."""
    if all(change.shape is ChangeShape.STEP for change in changes):
        return None
    middle = float(day[early].mean())
    first = min(changes, key=lambda change: change.at_day or 0.0)
    return middle if first.shape is not ChangeShape.BEND else max(middle, first.at_day or 0.0)


def _told(row: Array, means: Array, covariance: Array) -> tuple[float, float]:
    """Mean and standard error of a weighted sum of the coefficients; row : (K,) — the weights."""
    return float(row @ means), float(np.sqrt(max(float(row @ covariance @ row), 0.0)))


def below_days(course: Course, need: float, draws: int = 4000, seed: int = 7) -> tuple[float | None, ...] | None:
    """Days from the last one until the measure falls to a level, as 10, 50 and 90 % quantiles; None: it does not fall.

    need : float — the level, in the unit of the series. A quantile beyond fifty years is None.
    It goes on at its mean pace so far, steps counted in: both that mean and the one to come stray the less the longer
    they are taken over, as sums of independent increments do (see PACE_VARIANCE).
    """
    if course.moves_from is None or course.change > -2.0 * course.change_error:
        return None
    past = max((course.last_day - course.moves_from) / YEAR_DAYS, SOON_YEARS)
    chance = np.random.default_rng(seed)
    now_strays, change_strays = chance.standard_normal((2, draws))
    left = np.maximum(course.now + course.now_error * now_strays - need, 0.0)
    a_year = np.maximum(-(course.change + course.change_error * change_strays) / past, 1e-4)
    years = left / a_year
    been, coming = past / PACE_VARIANCE, np.maximum(years, SOON_YEARS) / PACE_VARIANCE
    strays = chance.standard_gamma(been, draws) / been * coming / chance.standard_gamma(coming)
    found = np.quantile(years * strays, (0.1, 0.5, 0.9))
    return tuple(None if year > 50.0 else float(YEAR_DAYS * year) for year in found)
