"""The bank of filters against statsmodels, and against water whose constants are known."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from statsmodels.tsa.statespace.kalman_filter import KalmanFilter

from forecaster.water.recession import RAIN, SHARES, WOBBLE, Bank, Candidates, Surge, grid

Array = NDArray[np.float64]

LEVEL_W, SPAN_H, VARIANCE = 20.0, 0.25, 0.4


def one_candidate() -> Candidates:
    return Candidates(np.array([[2.0, 15.0, 90.0]]), np.array([0.05]), np.array([1.5]), np.zeros(1))


def falling_data(count: int) -> Array:
    rng = np.random.default_rng(3)
    hours = SPAN_H * np.arange(1, count + 1)
    return np.asarray(5.0 + 12.0 * np.exp(-hours / 2.0) + 6.0 * np.exp(-hours / 15.0) + 0.6 * rng.normal(size=count))


def test_one_candidate_equals_statsmodels_at_every_prefix() -> None:
    """statsmodels.tsa.statespace.KalmanFilter, known initial state, the same matrices: state and likelihood agree."""
    data, count = falling_data(60), 60
    candidates = one_candidate()
    mean = np.array([6.0, 5.0, 5.0, 4.0, 0.0, 0.5])
    covariance = np.diag([4.0, 6.0, 6.0, 4.0, 1.0, 0.0])
    bank = Bank(candidates, mean, covariance)
    bank.FORGET_H = 1e12
    twin = KalmanFilter(k_endog=1, k_states=6)
    twin.bind(data)
    keep = np.exp(-SPAN_H / np.array([2.0, 15.0, 90.0]))
    transition = np.diag([1.0, *keep, np.exp(-SPAN_H / 1.5), 1.0])
    transition[1:4, RAIN] = SHARES * (1.0 - keep)
    drift = (Bank.DRIFT * LEVEL_W) ** 2 * SPAN_H / 24.0
    noise = np.zeros((6, 6, count))
    noise[range(4), range(4), :] = drift
    noise[WOBBLE, WOBBLE, :] = (0.05 * LEVEL_W) ** 2 * (1.0 - np.exp(-SPAN_H / 1.5) ** 2)
    states, rains = [], []
    likelihood = 0.0
    likelihoods = []
    for value in data:
        rains.append(abs(float(bank.mean[0, RAIN])))
        bank.predict(SPAN_H, LEVEL_W)
        before = (bank.mean.copy(), bank.covariance.copy())
        design = bank.design(SPAN_H)[0]
        spread = float(design @ before[1][0] @ design) + VARIANCE
        error = value - float(design @ before[0][0])
        likelihood += -0.5 * (np.log(2.0 * np.pi * spread) + error**2 / spread)
        bank.observe(float(value), VARIANCE, SPAN_H)
        states.append(bank.mean[0].copy())
        likelihoods.append(likelihood)
        assert (bank.mean[0, :WOBBLE] > 0.0).all(), (
            "the data are to keep the water positive, so that no constraint acts"
        )
    for k in range(3):
        noise[1 + k, 1 + k, :] += (0.5 * SHARES[k] * np.array(rains) * (1.0 - keep[k])) ** 2
    design = np.array([1.0, *(np.expm1(SPAN_H / t) / (SPAN_H / t) for t in (2.0, 15.0, 90.0)), 1.0, 0.0])
    first = noise[:, :, 0]
    twin["design"] = design[None, :]
    twin["transition"] = transition
    twin["selection"] = np.eye(6)
    twin["state_cov"] = np.concatenate([noise[:, :, 1:], noise[:, :, -1:]], axis=2)
    twin["obs_cov"] = np.array([[VARIANCE]])
    twin.initialize_known(transition @ mean, transition @ covariance @ transition.T + first)
    result = twin.filter()
    for k in range(count):
        np.testing.assert_allclose(states[k], result.filtered_state[:, k], rtol=1e-7, atol=1e-9)
    np.testing.assert_allclose(likelihoods, np.cumsum(result.llf_obs), rtol=1e-8)


def test_the_bank_finds_the_constants_that_made_the_water() -> None:
    rng = np.random.default_rng(5)
    hours = 0.25 * np.arange(1, 400)
    level = 4.0 + 30.0 * np.exp(-hours / 5.5) + 10.0 * np.exp(-hours / 150.0)
    bank = Bank(grid(), np.array([8.0, 12.0, 12.0, 12.0, 0.0, 0.0]), np.diag([64.0, 200.0, 200.0, 200.0, 1.0, 0.0]))
    for mean_w in (level * (1.0 + 0.01 * rng.normal(size=level.size))).tolist():
        bank.predict(0.25, bank.level_w)
        bank.observe(mean_w, (0.01 * mean_w) ** 2, 0.25)
    weights = bank.weights
    assert float(weights @ bank.candidates.tau_h[:, 0]) == pytest.approx(5.5, rel=0.05)  # a constant of the grid
    assert bank.level_w == pytest.approx(level[-1], rel=0.02)
    assert float(weights @ (bank.candidates.wobble < 0.05)) > 0.9


def test_a_storm_that_nobody_measured_is_taken_up_and_given_up() -> None:
    candidates = one_candidate()
    bank = Bank(candidates, np.array([5.0, 0.5, 0.5, 0.5, 0.0, 0.0]), np.diag([1.0, 1.0, 1.0, 1.0, 0.1, 0.0]))
    surge = Surge(begins=0.003, ends=0.06, rain_w=100.0)
    stores, rain = np.array([0.5, 0.5, 0.5]), []
    for step in range(120):
        falls = 80.0 if 30 <= step < 50 else 0.0
        keep = np.exp(-0.25 / candidates.tau_h[0])
        stores = stores * keep + falls * SHARES * (1.0 - keep)
        bank.predict(0.25, max(bank.level_w, 1.0))
        bank.observe(5.0 + float(stores.sum()), 0.05, 0.25, surge)
        rain.append(bank.rain_w)
    assert max(rain[:30]) < 5.0
    assert rain[45] == pytest.approx(80.0, rel=0.2)  # the prior's 100 W and the stores each take a share
    assert max(rain[70:]) < 8.0


def test_faint_rain_that_nothing_tells_of_does_not_go_on_for_ever() -> None:
    """A third of the level, guessed at first, was kept for days; in each forecast anew it ended within hours."""
    bank = Bank(grid(), np.array([3.0, 2.4, 2.4, 2.4, 0.0, 1.0]), np.diag([9.0, 16.0, 16.0, 16.0, 0.1, 16.0]))
    for _ in range(48):
        bank.predict(0.5, bank.level_w)
        bank.observe(10.0, 1.0, 0.5, Surge(0.005, 0.12, 500.0, variance=4.0))
    assert bank.rain_w < 0.01 * bank.level_w
    assert bank.level_w == pytest.approx(10.0, rel=0.06)


def test_no_water_is_ever_negative() -> None:
    bank = Bank(grid(), np.array([5.0, 5.0, 5.0, 5.0, 0.0, 1.0]), np.diag([25.0, 25.0, 25.0, 25.0, 1.0, 25.0]))
    for mean_w in (20.0, 14.0, 9.0, 5.0, 3.0, 2.0, 1.2, 0.8, 0.5, 0.4):
        bank.predict(0.5, bank.level_w)
        bank.observe(mean_w, 0.01, 0.5, Surge(0.005, 0.12, 100.0))
        assert (bank.weights @ bank.mean[:, :WOBBLE]).min() > -0.05 * mean_w
        assert np.linalg.eigvalsh(bank.covariance).min() > -1e-6


def test_a_span_in_two_steps_is_the_span_in_one() -> None:
    """Prediction composes: what a gap does does not depend on how it is cut."""
    start = (np.array([6.0, 5.0, 5.0, 4.0, 0.3, 0.0]), np.diag([4.0, 4.0, 4.0, 4.0, 1.0, 0.0]))
    one, two = Bank(grid(), *start), Bank(grid(), *start)
    one.predict(3.0, 10.0)
    two.predict(1.0, 10.0)
    two.predict(2.0, 10.0)
    np.testing.assert_allclose(one.mean, two.mean, rtol=1e-10)
    np.testing.assert_allclose(one.covariance[:, WOBBLE, WOBBLE], two.covariance[:, WOBBLE, WOBBLE], rtol=1e-10)
