"""Energy ahead of a bank's draws against the integral of the draws' own level, by scipy.integrate.quad."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad

from forecaster.maths.arrays import Array, Single
from forecaster.water.outflow import Draws
from forecaster.water.recession import Bank, Candidates

AHEAD_H = np.array([0.0, 0.5, 3.0, 24.0])


def draws(rain_w: float = 0.0) -> Draws:
    """Two candidates with other time constants; base and reservoirs known to a tenth, no wobble."""
    candidates = Candidates(
        np.array([[2.0, 15.0, 90.0], [1.0, 8.0, 60.0]]), np.full(2, 1e-9), np.full(2, 1.5), np.log([0.6, 0.4])
    )
    mean = np.array([6.0, 5.0, 4.0, 3.0, 0.0, rain_w])
    return Draws(Bank(candidates, mean, np.diag([0.4, 0.3, 0.2, 0.2, 1e-12, 1e-12])), 3, 40)


def integrated(level: Array, rates: Array, begin_h: float, end_h: float) -> float:
    """Of one draw: constant base, and reservoirs that fall exponentially."""
    base, stores = float(level[0]), level[1:]
    return float(quad(lambda t: base + float(np.sum(stores * np.exp(-t / rates))), begin_h, end_h)[0])


def cumulative(rises: Single) -> Array:
    """The energy until each time ahead, from that between them."""
    return np.concatenate([np.zeros((rises.shape[0], 1)), np.cumsum(rises.astype(np.float64), axis=1)], axis=1)


@pytest.mark.parametrize("lag_h", [0.0, 1.7])
def test_falling_water_is_the_integral_of_its_level(lag_h: float) -> None:
    made = draws()
    found = cumulative(made.falling_wh(AHEAD_H, lag_h))
    for row in range(0, 40, 7):
        level = np.array([made.base[row], *made.stores[row]])
        for ahead_h, wh in zip(AHEAD_H.tolist(), found[row].tolist(), strict=True):
            assert wh == pytest.approx(integrated(level, made.tau_h[row], lag_h, lag_h + ahead_h), rel=1e-5)


def test_level_falls_with_the_reservoirs() -> None:
    made = draws()
    expected = made.base + made.stores[:, 0] * np.exp(-2.0 / made.tau_h[:, 0])
    expected += made.stores[:, 1] * np.exp(-2.0 / made.tau_h[:, 1]) + made.stores[:, 2] * np.exp(
        -2.0 / made.tau_h[:, 2]
    )
    assert made.level_w(2.0) == pytest.approx(expected, rel=1e-6)


def test_rain_that_falls_fills_until_it_ends_and_drains_after() -> None:
    """Reservoir k gets r_k of inflow until the end e, so its level is r_k (1 - exp(-t/tau)) until e, falling after."""
    made = draws(rain_w=20.0)
    rises = np.zeros((40, AHEAD_H.size - 1), dtype=np.float32)
    made.add_raining_wh(rises, AHEAD_H, 0.5, None)
    found = cumulative(rises)
    for row in range(0, 40, 9):
        fills, tau_h, ends_h = made.shares[row] * made.rain_w[row], made.tau_h[row], float(made.ends[row])

        def level(t: float, fills: Array = fills, tau_h: Array = tau_h, ends_h: float = ends_h) -> float:
            filled = fills * -np.expm1(-min(t, ends_h) / tau_h)
            return float(np.sum(filled * np.exp(-max(t - ends_h, 0.0) / tau_h)))

        for ahead_h, wh in zip(AHEAD_H[1:].tolist(), found[row, 1:].tolist(), strict=True):
            bend = [ends_h] if 0.5 < ends_h < 0.5 + ahead_h else None
            assert wh == pytest.approx(quad(level, 0.5, 0.5 + ahead_h, points=bend)[0], rel=1e-4, abs=1e-3)


def test_all_draws_follow_the_weights_and_the_means() -> None:
    """6 in 10 draws have the first candidate's constants; the level's mean is the state's, 18 W."""
    candidates = Candidates(
        np.array([[2.0, 15.0, 90.0], [1.0, 8.0, 60.0]]), np.full(2, 1e-9), np.full(2, 1.5), np.log([0.6, 0.4])
    )
    bank = Bank(candidates, np.array([6.0, 5.0, 4.0, 3.0, 0.0, 0.0]), np.diag([0.4, 0.3, 0.2, 0.2, 1e-12, 1e-12]))
    made = Draws(bank, 3, 4000)
    assert float(np.mean(made.tau_h[:, 0] == 2.0)) == pytest.approx(0.6, abs=0.03)
    levels = made.level_w(0.0)
    assert float(levels.mean()) == pytest.approx(18.0, abs=0.06)
    assert float(levels.std()) == pytest.approx(1.1**0.5, rel=0.05)
