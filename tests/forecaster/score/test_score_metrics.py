"""Scores against worked values, libraries that know nothing of us, and each other."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from forecaster.domain.forecast import HORIZON_H, LEVELS
from forecaster.score.metrics import (
    Outcome,
    cdf,
    coverage,
    crps_ensemble,
    crps_normal,
    crps_quantiles,
    filled,
    mean_pinball,
    pinball,
    pit,
    quantile_score,
    relative_error,
    sample,
    winkler,
)
from forecaster.score.prognostics import (
    Prediction,
    alpha_lambda,
    cumulative_relative_accuracy,
    cumulative_remaining_accuracy,
    prognostic_horizon,
)

TEN = np.array([8.0, 8.5, 9.2, 10.0, 11.0, 12.0, 12.8])
HOURS = st.floats(0.05, 300.0)


def test_worked_values() -> None:
    """CRPS of N(5, 2) at 6 and of the ensemble 4, 5, 7 at 6, and the interval score, by their formulas."""
    assert crps_normal(5.0, 2.0, 6.0) == pytest.approx(0.662807, abs=1e-6)
    assert crps_ensemble(np.array([4.0, 5.0, 7.0]), Outcome(6.0)) == pytest.approx(2.0 / 3.0)
    assert winkler(4.0, 8.0, 9.0, 0.8) == pytest.approx(14.0)


def test_quantile_score_of_the_textbook() -> None:
    """Hyndman & Athanasopoulos, Forecasting: principles and practice, 3rd ed., section 5.9: 4.86."""
    assert quantile_score(0.1, 744.54, 741.84) == pytest.approx(4.86, abs=0.005)


@pytest.mark.slow  # the library compiles itself as it is imported, four seconds
@settings(max_examples=60, deadline=None)
@given(st.lists(HOURS, min_size=2, max_size=30), HOURS, st.floats(0.05, 0.95))
def test_equal_to_scoringrules(members: list[float], value: float, level: float) -> None:
    """scoringrules (Zanetta & Allen) on the same ensembles, intervals and quantiles."""
    import scoringrules

    ensemble = np.array(members)
    assert crps_ensemble(ensemble, Outcome(value)) == pytest.approx(
        float(scoringrules.crps_ensemble(value, ensemble)), rel=1e-6, abs=1e-9
    )
    low, high = float(ensemble.min()), float(ensemble.max())
    assert winkler(low, high, value, 0.8) == pytest.approx(
        float(scoringrules.interval_score(value, low, high, 0.2)), rel=1e-6, abs=1e-9
    )
    assert pinball(level, low, Outcome(value)) == pytest.approx(
        float(scoringrules.quantile_score(value, low, level)), rel=1e-6, abs=1e-9
    )
    assert crps_normal(low, 3.0, value) == pytest.approx(
        float(scoringrules.crps_normal(value, low, 3.0)), rel=1e-6, abs=1e-9
    )


def test_quantile_crps_is_near_the_whole_one() -> None:
    rng = np.random.default_rng(1)
    draws = rng.normal(20.0, 3.0, size=4000)
    quantiles = np.quantile(draws, LEVELS)
    for value in (15.0, 20.0, 26.0):
        whole = crps_ensemble(draws, Outcome(value))
        assert crps_quantiles(quantiles, Outcome(value)) == pytest.approx(whole, rel=0.12)


def test_censored_scores_are_what_is_certain() -> None:
    """A right-censored score never exceeds the score of any outcome that it may yet become (Avati et al. 2020)."""
    draws = np.linspace(5.0, 15.0, 101)
    for bound in (3.0, 8.0, 10.0, 20.0):
        censored = Outcome(bound, censored=True)
        for later in (bound + 0.001, bound + 2.0, bound + 30.0):
            assert crps_ensemble(draws, censored) <= crps_ensemble(draws, Outcome(later)) + 1e-3
            assert mean_pinball(TEN, censored) <= mean_pinball(TEN, Outcome(later)) + 1e-3
    assert mean_pinball(TEN, Outcome(7.0, censored=True)) == 0.0
    assert mean_pinball(TEN, Outcome(20.0, censored=True)) > 0.0


def test_coverage_of_censored_outcomes() -> None:
    assert coverage(TEN, Outcome(10.0)) == (1.0, 1.0, 1.0)
    assert coverage(TEN, Outcome(12.5)) == (0.0, 0.0, 0.0)
    assert coverage(TEN, Outcome(12.5, censored=True)) == (0.0, 0.0, 0.0)
    expected, low, high = coverage(TEN, Outcome(2.0, censored=True))
    assert (low, high) == (0.0, 1.0)
    assert expected == pytest.approx(0.8)
    assert coverage(TEN, Outcome(10.0, censored=True))[0] == pytest.approx(0.8)


def test_coverage_with_censoring_is_right_for_a_calibrated_forecast() -> None:
    """Draws from the forecast itself, a third of them censored at random: the expected coverage stays 80 %."""
    rng = np.random.default_rng(2)
    quantiles = np.quantile(rng.normal(20.0, 3.0, 100_000), LEVELS)
    held, transforms = [], []
    for _ in range(4000):
        truth, bound = rng.normal(20.0, 3.0), rng.uniform(10.0, 50.0)
        outcome = Outcome(bound, censored=True) if bound < truth else Outcome(truth)
        held.append(coverage(quantiles, outcome)[0])
        transforms.append(pit(quantiles, outcome, rng.random()))
    assert np.mean(held) == pytest.approx(0.8, abs=0.02)
    assert np.mean(transforms) == pytest.approx(0.5, abs=0.02)
    assert np.std(transforms) == pytest.approx(12.0**-0.5, abs=0.02)


def test_relative_error() -> None:
    assert relative_error(TEN, Outcome(8.0)) == pytest.approx(0.25)
    assert relative_error(TEN, Outcome(8.0, censored=True)) is None
    assert relative_error(TEN, Outcome(20.0, censored=True)) == pytest.approx(0.5)


def test_beyond_the_horizon_is_the_horizon() -> None:
    said = filled([5.0, 6.0, 8.0, 12.0, None, None, None])
    assert said.tolist() == [5.0, 6.0, 8.0, 12.0, HORIZON_H, HORIZON_H, HORIZON_H]
    assert mean_pinball(said, Outcome(HORIZON_H, censored=True)) > 0.0


@settings(max_examples=60, deadline=None)
@given(st.lists(HOURS, min_size=7, max_size=7), HOURS, HOURS)
def test_cdf_rises_and_inverts_the_sample(values: list[float], one: float, other: float) -> None:
    quantiles = np.sort(np.array(values))
    low, high = min(one, other), max(one, other)
    assert 0.0 <= cdf(quantiles, low) <= cdf(quantiles, high) <= 1.0
    draws = sample(quantiles, 1000)
    assert np.all(np.diff(draws) >= 0.0)
    assert np.quantile(draws, 0.5) == pytest.approx(quantiles[3], rel=0.05, abs=0.6)


@pytest.mark.slow
@settings(max_examples=40, deadline=None)
@given(st.lists(st.tuples(st.floats(0.0, 30.0), st.floats(31.0, 60.0), st.floats(0.1, 9.0)), min_size=2, max_size=6))
def test_prognostic_metrics_equal_progpy(told: list[tuple[float, float, float]]) -> None:
    """progpy.metrics on the same predictions (Saxena et al. 2010), event at 45 h."""
    from progpy import metrics as theirs
    from progpy.predictors import ToEPredictionProfile
    from progpy.uncertain_data import UnweightedSamples

    event_h, alpha, beta = 45.0, 0.1, 0.5
    rng = np.random.default_rng(3)
    predictions = {round(at, 3): rng.normal(mean, sd, 60) for at, mean, sd in told}
    ours = [Prediction(at, draws) for at, draws in predictions.items()]
    profile = ToEPredictionProfile()
    for at, draws in predictions.items():
        profile.add_prediction(at, UnweightedSamples([{"reserve": float(x)} for x in draws]))
    truth = {"reserve": event_h}
    latest = max(predictions)
    for at_h in (0.0, latest / 2.0, latest):
        expected = theirs.alpha_lambda(profile, truth, at_h, alpha, beta)
        assert alpha_lambda(ours, event_h, at_h, alpha, beta) == expected["reserve"]
    assert alpha_lambda(ours, event_h, latest + 1.0, alpha, beta) is None

    def criteria(remaining: UnweightedSamples, true_remaining: dict[str, float]) -> dict[str, bool]:
        left = true_remaining["reserve"]
        inside = remaining.percentage_in_bounds({"reserve": [left * (1.0 - alpha), left * (1.0 + alpha)]})
        return {"reserve": inside["reserve"] >= beta}

    expected_horizon = theirs.prognostic_horizon(profile, criteria, truth)["reserve"]
    assert prognostic_horizon(ours, event_h, alpha, beta) == expected_horizon
    assert cumulative_relative_accuracy(ours, event_h) == pytest.approx(
        theirs.cumulative_relative_accuracy(profile, truth)["reserve"]
    )


def test_accuracy_of_remaining_time_is_the_stricter() -> None:
    ours = [Prediction(40.0, np.full(10, 46.0))]
    assert cumulative_relative_accuracy(ours, 45.0) == pytest.approx(1.0 - 1.0 / 45.0)
    assert cumulative_remaining_accuracy(ours, 45.0) == pytest.approx(1.0 - 1.0 / 5.0)
