"""The fade of a pack by measurements of several years: against a reference library, and taken apart by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import norm
from statsmodels.regression.linear_model import GLS, WLS

from forecaster.domain.times import DAY_MS, YEAR_DAYS
from forecaster.pack.fading import Fade, PackPoints, fade_of, meets

YEARS = np.array([0.0, 0.9, 2.1, 3.0, 4.2])
WATT_HOURS = np.array([1010.0, 985.0, 930.0, 915.0, 850.0])
ERRORS = np.array([30.0, 25.0, 35.0, 20.0, 30.0])


def points(covariance: np.ndarray[tuple[int, int], np.dtype[np.float64]]) -> PackPoints:
    return PackPoints(YEARS * YEAR_DAYS, WATT_HOURS, covariance, np.ones(YEARS.size))


def test_the_line_is_that_of_statsmodels() -> None:
    """Weighted least squares for errors of each one's own, generalised ones for shared errors; scale known."""
    columns = np.column_stack([np.ones(YEARS.size), YEARS])
    shared = np.diag(ERRORS**2) + 40.0**2
    for covariance, fitted in (
        (np.diag(ERRORS**2), WLS(WATT_HOURS, columns, weights=ERRORS**-2.0).fit(cov_type="fixed scale")),
        (shared, GLS(WATT_HOURS, columns, sigma=shared).fit(cov_type="fixed scale")),
    ):
        fade = fade_of(points(covariance))
        assert fade is not None
        assert (fade.first, fade.a_year) == pytest.approx(tuple(fitted.params))
        assert (fade.first_error, fade.a_year_error) == pytest.approx(tuple(fitted.bse))
        newest = fitted.get_prediction(np.array([[1.0, YEARS[-1]]]))
        assert fade.now == pytest.approx(float(newest.predicted_mean[0]))
        assert fade.now_error == pytest.approx(float(newest.se_mean[0]))
        assert fade.change == pytest.approx(fade.now - fade.first)


def test_an_error_that_all_share_leaves_the_slope_alone() -> None:
    own, shared = fade_of(points(np.diag(ERRORS**2))), fade_of(points(np.diag(ERRORS**2) + 200.0**2))
    assert own is not None
    assert shared is not None
    assert (shared.a_year, shared.a_year_error) == pytest.approx((own.a_year, own.a_year_error))
    assert shared.now_error > 199.0


def test_measurements_that_stray_further_than_they_say_widen_the_errors() -> None:
    """Birge's ratio: chi-squared over the degrees of freedom, where that is above one."""
    close = fade_of(points(np.diag(ERRORS**2)))
    boasting = fade_of(points(np.diag((ERRORS / 100.0) ** 2)))
    assert close is not None
    assert boasting is not None
    fitted = WLS(WATT_HOURS, np.column_stack([np.ones(5), YEARS]), weights=ERRORS**-2.0).fit()
    assert boasting.a_year_error == pytest.approx(fitted.bse[1])  # statsmodels scales by the residuals


def test_a_level_is_met_where_the_line_falls_to_it() -> None:
    """900 Wh that fall by 50 a year meet 800 two years on; the early end by hand where only one of both is unsure."""
    fade = Fade(1000.0, 0.1, 900.0, 1e-6, -100.0, 1.0, -50.0, 5.0, 0.0)
    early, likely, late = ((at or 0) / DAY_MS / YEAR_DAYS for at in meets(fade, 800.0, 0.0, 0))
    z = norm.ppf(0.9)
    assert likely == pytest.approx(2.0, rel=0.01)
    assert early == pytest.approx(100.0 / (50.0 + 5.0 * z), rel=0.01)
    assert late == pytest.approx(100.0 / (50.0 - 5.0 * z), rel=0.01)
    sure = replace(fade, a_year_error=1e-6, now_error=10.0)
    assert (meets(sure, 800.0, 0.0, 0)[0] or 0) / DAY_MS / YEAR_DAYS == pytest.approx(2.0 - 0.2 * z, rel=0.01)
    assert meets(fade, 950.0, 0.0, 5) == (5, 5, 5), "below already"
    rising = replace(fade, a_year=50.0)
    assert meets(rising, 800.0, 0.0, 0) == (None, None, None)
