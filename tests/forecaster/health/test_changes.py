"""Changes with dates, and trends: against published examples, and where nothing happened."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import f as f_distribution
from statsmodels import datasets

from forecaster.domain.times import YEAR_DAYS
from forecaster.health.changes import ChangeShape, DailySeries, changes_of
from forecaster.health.trends import PACE_VARIANCE, Course, below_days, course_of
from forecaster.maths.arrays import Array


def series(value: Array, first_day: float = 20_000.0) -> DailySeries:
    count = value.size
    return DailySeries(first_day + np.arange(count, dtype=np.float64), value, np.zeros(count), np.zeros((count, 0)))


def straying(count: int, rho: float, deviation: float, rng: np.random.Generator) -> Array:
    """Errors of a first-order autoregression, (count,)."""
    found = np.empty(count)
    level = rng.normal(0.0, deviation)
    for index in range(count):
        found[index] = level
        level = rho * level + rng.normal(0.0, deviation * np.sqrt(1.0 - rho**2))
    return found


def test_the_nile_broke_in_1898() -> None:
    """Yearly flow of the Nile at Aswan 1871 to 1970, whose published single break follows 1898: Cobb, Biometrika 65
    (1978) 243; Zeileis, Kleiber, Krämer, Hornik, Comput. Stat. Data Anal. 44 (2003) 109; data as in statsmodels.
    """
    nile = datasets.nile.load_pandas().data
    flow = nile["volume"].to_numpy(dtype=np.float64)
    found = changes_of(series(flow / np.median(flow), float(nile["year"].iloc[0])))
    assert [change.shape for change in found] == [ChangeShape.STEP]
    assert found[0].at_day == 1899.0  # the first year after the break


def test_the_nile_fell_by_a_quarter() -> None:
    """Means before and after the break are 1097.75 and 849.97 (same sources): 22.6 % less."""
    nile = datasets.nile.load_pandas().data
    flow = nile["volume"].to_numpy(dtype=np.float64)
    course = course_of(series(flow / np.median(flow), float(nile["year"].iloc[0])))
    assert course is not None
    assert course.change / course.base == pytest.approx(849.97 / 1097.75 - 1.0, abs=0.02)
    assert course.since_day == 1899.0


@pytest.mark.slow
@pytest.mark.parametrize("rho", [0.0, 0.4, 0.7])
def test_where_nothing_happened_hardly_anything_is_told(rho: float) -> None:
    """A look a week over 15 years of days that follow one another: at most one year in which anything is told."""
    rng = np.random.default_rng(17)
    told = 0
    for _ in range(15):
        value = 1.0 + straying(365, rho, 0.015, rng)
        told += any(changes_of(series(value[:end])) for end in range(30, 366, 14))
    assert told <= 1


def test_a_step_is_dated_within_five_days_in_four_of_five() -> None:
    rng = np.random.default_rng(3)
    away = []
    for _ in range(30):
        value = 1.0 + straying(200, 0.4, 0.02, rng)
        value[120:] -= 0.06
        course = course_of(series(value))
        assert course is not None
        assert course.sure(upward=False)
        assert course.since_day is not None
        away.append(abs(course.since_day - 20_120.0))
    assert np.mean(np.array(away) <= 5.0) >= 0.8


def test_a_fall_that_has_only_begun_is_told_sooner_where_falls_are_looked_for() -> None:
    """Three days of a fall of 12 % a week, under errors of 1.5 % a day. What rises is not told sooner; where nothing
    happened, one of 40 may be told."""
    rng = np.random.default_rng(11)
    usual = sooner = risen = nothing = 0
    for _ in range(40):
        still = 1.0 + straying(150, 0.0, 0.015, rng)
        begun = 0.12 * np.clip((np.arange(150) - 146) / 7.0, 0.0, None)
        usual += bool(changes_of(series(still - begun)))
        sooner += bool(changes_of(series(still - begun), falls=True))
        risen += len(changes_of(series(still + begun), falls=True)) - len(changes_of(series(still + begun)))
        nothing += bool(changes_of(series(still), falls=True))
    assert sooner >= usual + 8
    assert risen == 0
    assert nothing <= 1


def test_a_steady_fall_meets_a_level_when_it_does() -> None:
    """1 % a month, 200 days of it: 70 % of the first level are reached after 30 months, told as a range."""
    rng = np.random.default_rng(9)
    held = 0
    for _ in range(30):
        value = 1.0 - 0.01 * np.arange(200) / 30.4375 + straying(200, 0.4, 0.015, rng)
        course = course_of(series(value))
        assert course is not None
        found = below_days(course, 0.7)
        assert found is not None
        low, _, high = found
        assert low is not None
        assert high is not None
        held += low <= 30 * 30.4375 - 199.0 <= high
    assert held >= 20


def test_a_level_is_met_at_the_mean_pace_give_or_take_what_paces_stray() -> None:
    """A tenth in a year, a half to lose: four years more. What has been and what is to come are gamma distributed, each
    about its mean with PACE_VARIANCE over its years, so the ratio of the two is F distributed, and with it the years.
    """
    level = np.array([1.0, 0.9])
    course = Course((), 1.0, 0.0, 0.9, 0.0, -0.1, 0.0, 20_000.0, 0.1, np.array([20_000.0, 20_000.0 + YEAR_DAYS]), level)
    found = below_days(course, 0.5)
    assert found is not None
    ratio = f_distribution.ppf([0.1, 0.5, 0.9], 2.0 * 1.0 / PACE_VARIANCE, 2.0 * 4.0 / PACE_VARIANCE)
    assert [day / YEAR_DAYS for day in found if day] == pytest.approx(np.asarray(4.0 * ratio), rel=0.04)
    assert below_days(replace(course, change_error=0.06), 0.5) is None, "a fall that may be chance"
    assert below_days(replace(course, moves_from=None), 0.5) is None, "a step goes no further"


def test_a_fall_that_began_late_goes_on_at_its_own_pace() -> None:
    """A year as it was, then 2 % a month for half a year: 12 % lost, and 70 % of the first level 9 months on."""
    days = np.arange(548)
    fallen = 0.02 * np.clip(days - 365, 0, None) / 30.4375
    course = course_of(series(1.0 - fallen + straying(548, 0.4, 0.01, np.random.default_rng(2))))
    assert course is not None
    assert course.moves_from == pytest.approx(20_365.0, abs=20.0)
    found = below_days(course, 0.7)
    assert found is not None
    assert found[1] == pytest.approx(9.0 * 30.4375, rel=0.15)
