"""Water that falls lengthens the time that is left: against an integral solved by scipy.

A pump that ran 30 times an hour and will run ever less, with a time constant of 12 h; 500 W x 25 s a run, inverter
0.88, idle 10 W DC, 1024 Wh x 0.9: 10.30 h. Held at 30 an hour: 7.18 h (both computed here from the definition).
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.optimize import brentq

from forecaster.domain.site import Pit, Pump
from forecaster.domain.times import HOUR_MS
from forecaster.engine import reserve
from forecaster.maths.arrays import Array
from forecaster.water.inflow import Inflow

START = 1_772_500_000_000
RUN_WH = 500.0 * 25.0 / 3600.0
RATE, TAU_H = 30.0, 12.0
EFFICIENCY, IDLE_W, BUDGET_WH = 0.88, 10.0, 1024.0 * 0.9


def battery_w(hours: float) -> float:
    """Draw from the battery at a time ahead [W]."""
    return float(RATE * np.exp(-hours / TAU_H) * RUN_WH / EFFICIENCY + IDLE_W)


def falling_h() -> float:
    """Hours until the integral of the draw is the budget."""
    return float(brentq(lambda hours: quad(battery_w, 0.0, hours)[0] - BUDGET_WH, 0.1, 48.0))


def steady_h() -> float:
    """Hours if the present draw went on."""
    return BUDGET_WH / battery_w(0.0)


def passages(pump_wh: Array, ahead_s: Array) -> Array:
    """Hours to the floor of each path, the pack being known exactly."""
    drain = pump_wh / EFFICIENCY + IDLE_W * ahead_s / 3600.0
    return reserve.first_passage(drain, np.full(drain.shape[0], BUDGET_WH), ahead_s)


def after_storms(storms: int, *, apart_h: float = 72.0, peak: float = 100.0) -> tuple[Inflow, int]:
    """Storms that each leave `peak` runs an hour, dying away cleanly; the last has come down to RATE. And the time."""
    inflow, at = Inflow(Pump(rated_power_w=500.0), Pit()), START
    runs_h = -TAU_H * np.log(1.0 - np.arange(int(TAU_H * peak)) / (TAU_H * peak))
    until_rate_h = TAU_H * float(np.log(peak / RATE))
    for storm in range(storms):
        stops = runs_h[runs_h <= (until_rate_h if storm == storms - 1 else apart_h)]
        edges = [at + round(float(hours) * HOUR_MS) for hours in stops]
        if storm < storms - 1:
            edges.append(at + round(apart_h * HOUR_MS))
        for begin, end in pairwise(edges):
            inflow.observe(begin, end, RUN_WH)
        at = edges[-1]
        if storm < storms - 1:
            inflow.refit(at)
    return inflow, at


def test_the_reference_is_the_worked_figure() -> None:
    assert falling_h() == pytest.approx(10.30, abs=0.005)
    assert steady_h() == pytest.approx(7.18, abs=0.005)


def test_first_passage_of_the_exact_energies() -> None:
    """On the grid that forecasts use, linear between its points, the passage is right to a hundredth."""
    grid = reserve.ahead_grid_s()
    hours = grid / 3600.0
    falling = RATE * RUN_WH * TAU_H * -np.expm1(-hours / TAU_H)
    steady = RATE * RUN_WH * hours
    told = passages(np.stack([falling, steady]), grid)
    assert told[0] == pytest.approx(falling_h(), rel=0.002)
    assert told[1] == pytest.approx(steady_h(), rel=1e-6)


@pytest.mark.slow
@pytest.mark.parametrize("storms", [2, 4, 7])
def test_a_site_that_has_seen_it_before_forecasts_the_fall(storms: int) -> None:
    """Achieved after 1, 3 and 6 earlier storms: 9.8, 9.9 and 10.1 h in the middle, against 10.30; 10-90 % holds it."""
    inflow, now_ms = after_storms(storms)
    grid = reserve.ahead_grid_s()
    hours = passages(inflow.draw_ahead(now_ms, grid, 400, np.random.default_rng(1)), grid)
    middle = float(np.median(hours))
    assert middle == pytest.approx(falling_h(), rel=0.06)
    assert middle > 1.25 * steady_h()
    low, high = np.quantile(hours, [0.1, 0.9])
    assert steady_h() < low < falling_h() < high
    halving = inflow.halving_h(now_ms)
    assert halving == pytest.approx(TAU_H * np.log(2.0), rel=0.15)  # 8.3 h


def test_a_site_new_to_its_water_leans_towards_the_fall_and_says_so() -> None:
    """With nothing but the fall itself, 14 h of it, to learn from: achieved 8.8 h.

    Slower water may lie below what was seen, so that the answer keeps to the near side of 10.30 h: the range does not
    hold it (5-95 %: 7.7 to 9.8 h), but lies all beyond the 7.18 h of a steady rate.
    """
    inflow, now_ms = after_storms(1)
    grid = reserve.ahead_grid_s()
    low, middle = np.quantile(
        passages(inflow.draw_ahead(now_ms, grid, 400, np.random.default_rng(1)), grid), [0.05, 0.5]
    )
    assert steady_h() < low
    assert 1.15 * steady_h() < middle < falling_h()
