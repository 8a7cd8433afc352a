"""First passage, quantiles and survival against closed forms."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import invgauss

from forecaster.engine import reserve
from forecaster.maths.noise import normals
from forecaster.pack.draws import PackDraws


def test_first_passage_of_a_renewal_reward_process_is_inverse_gaussian() -> None:
    """Folks & Chhikara 1978 (J. R. Stat. Soc. B 40): drifted Brownian motion crosses at inverse Gaussian times.

    Budget 800 Wh, 6 Poisson runs an hour of mean 3.5 Wh and SD 0.7 Wh: mean 38.095 h, SD 2.570 h.
    """
    budget, rate, mean, spread = 800.0, 6.0, 3.5, 0.7
    drift, variance = rate * mean, rate * (spread**2 + mean**2)
    shape = budget**2 / variance
    law = invgauss(budget / drift / shape, scale=shape)
    assert law.mean() == pytest.approx(38.095, abs=1e-3)
    assert law.std() == pytest.approx(2.570, abs=1e-3)
    draws, hours = 4000, np.linspace(0.0, 60.0, 601)
    steps = normals(1, draws, 600) * np.sqrt(variance * 0.1) + drift * 0.1
    path = np.concatenate([np.zeros((draws, 1)), np.cumsum(steps, axis=1)], axis=1)
    passage = reserve.first_passage(path, np.full(draws, budget), hours * 3600.0)
    for level, expected in ((0.05, 34.02), (0.10, 34.86), (0.50, 38.01), (0.90, 41.44), (0.95, 42.46)):
        assert law.ppf(level) == pytest.approx(expected, abs=0.006)
        assert np.quantile(passage, level) == pytest.approx(expected, rel=0.01)


def test_first_passage_is_the_first_even_where_charging_brings_the_drain_back() -> None:
    ahead = np.array([0.0, 3600.0, 7200.0, 10800.0])
    path = np.array([[0.0, 10.0, 5.0, 20.0], [0.0, 1.0, 2.0, 3.0], [0.0, 1.0, 2.0, 3.0]])
    hours = reserve.first_passage(path, np.array([8.0, 5.0, 0.0]), ahead)
    assert hours[0] == pytest.approx(0.8)
    assert np.isinf(hours[1])
    assert hours[2] == 0.0


def test_quantiles_beyond_the_horizon_are_none_and_never_cross() -> None:
    hours = np.concatenate([np.linspace(1.0, 50.0, 60), np.full(40, np.inf)])
    told = reserve.quantiles(hours)
    values = [v for v in told.values() if v is not None]
    assert values == sorted(values)
    assert told.p50 == pytest.approx(42.11, abs=0.01)  # halfway between the 50th and the 51st of 100
    assert told.p75 is None
    assert told.p95 is None
    assert reserve.never_probability(hours) == pytest.approx(0.4)


def test_survival_falls_from_one_and_agrees_with_the_probability_at_a_time() -> None:
    hours = np.linspace(2.5, 7.5, 101)
    points = reserve.survival(hours, now_ms=0)
    assert points[0].probability == 1.0
    assert points[-1].probability == 0.0
    assert [p.probability for p in points] == sorted((p.probability for p in points), reverse=True)
    assert points[4].probability == pytest.approx(reserve.survival_at(hours, 5.0))


def test_the_points_needed_hold_every_passage() -> None:
    """The grid cut short gives what the whole grid gives: nobody outlives the inverter's own draw."""
    draws, whole = 200, reserve.ahead_grid_s()
    z = normals(3, draws, 3)
    some = np.ones(draws)
    pack = PackDraws(
        capacity_wh=1000.0 * some,
        efficiency=0.88 * some,
        idle_w=np.exp(2.0 + 0.3 * z[:, 0]),
        loads_w=12.0 * some,
        to_reserve_wh=500.0 + 20.0 * z[:, 1],
        to_empty_wh=600.0 + 20.0 * z[:, 1],
        to_full_wh=400.0 * some,
        bow=0.0 * some,
        skew=0.0 * some,
    )
    points = reserve.points_needed(pack, whole)
    assert points < whole.size / 2
    pump_wh = np.maximum(0.0, 20.0 + 15.0 * z[:, 2, None]) * whole / 3600.0
    for budget in (pack.to_reserve_wh, pack.to_empty_wh):
        there = reserve.first_passage(reserve.cumulative_drain_wh(pump_wh, pack, whole), budget, whole)
        cut = whole[:points]
        here = reserve.first_passage(reserve.cumulative_drain_wh(pump_wh[:, :points], pack, cut), budget, cut)
        assert here == pytest.approx(there, rel=1e-12)
    nothing = replace(pack, idle_w=0.0 * some, loads_w=0.0 * some)
    assert reserve.points_needed(nothing, whole) == whole.size
