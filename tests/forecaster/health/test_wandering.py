"""Regressions beside a level that wanders: against the Kalman filter of statsmodels, and a density of scipy."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import multivariate_normal
from statsmodels.tsa.statespace.structural import UnobservedComponents

from forecaster.health.changes import SeriesErrors
from forecaster.health.wandering import Whitened

COUNT = 60
DAY = 20_000.0 + np.arange(COUNT, dtype=np.float64)
CHANCE = np.random.default_rng(4)
STEP = np.where(np.arange(COUNT) >= 45, 1.0, 0.0)
VALUE = 1.0 + 0.2 * STEP + np.cumsum(CHANCE.normal(0.0, 0.003, COUNT)) + CHANCE.normal(0.0, 0.02, COUNT)


@pytest.mark.parametrize("a_day", [0.0, 0.003, 0.02])
def test_a_step_beside_a_level_that_wanders_is_that_of_a_kalman_filter(a_day: float) -> None:
    """The same local level, with the step as a regressor in its state and no knowledge of where it begins."""
    white = Whitened.by(
        np.column_stack([VALUE, STEP, np.ones(COUNT)]), DAY, SeriesErrors(np.full(COUNT, 0.02), 0.0), a_day
    ).columns
    inverse = np.linalg.inv(white[:, 1:].T @ white[:, 1:])
    step = (inverse @ white[:, 1:].T @ white[:, 0])[0]
    filtered = UnobservedComponents(VALUE, "llevel", exog=STEP, mle_regression=False, use_exact_diffuse=True).smooth(
        [0.02**2, a_day**2]
    )
    assert step == pytest.approx(filtered.smoothed_state[1, -1], rel=1e-6)
    assert inverse[0, 0] == pytest.approx(filtered.smoothed_state_cov[1, 1, -1], rel=1e-6)


def test_the_scale_makes_a_likelihood_of_the_squares() -> None:
    """Days that are correlated by 0.5 each, one of them missing, of two deviations."""
    day = np.array([0.0, 1.0, 2.0, 4.0])
    deviation = np.array([0.02, 0.02, 0.05, 0.02])
    value = np.array([0.01, 0.03, -0.02, 0.04])
    alike = np.array(
        [[1.0, 0.5, 0.25, 0.0625], [0.5, 1.0, 0.5, 0.125], [0.25, 0.5, 1.0, 0.25], [0.0625, 0.125, 0.25, 1.0]]
    )
    walked = np.array([[0.0, 0.0, 0.0, 0.0], [0.0, 1.0, 1.0, 1.0], [0.0, 1.0, 2.0, 2.0], [0.0, 1.0, 2.0, 4.0]])
    covariance = alike * np.outer(deviation, deviation) + 0.01**2 * walked
    found = Whitened.by(value[:, None], day, SeriesErrors(deviation, 0.5), 0.01)
    likelihood = found.log_scale - 0.5 * float((found.columns**2).sum()) - 2.0 * np.log(2.0 * np.pi)
    assert likelihood == pytest.approx(multivariate_normal.logpdf(value, cov=covariance), rel=1e-9)
