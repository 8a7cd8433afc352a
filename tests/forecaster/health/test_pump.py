"""Pump and pit health: trends that are there are told, trends that are not are not."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from forecaster.domain.quantities import Quantity
from forecaster.domain.runs import Run, Supply
from forecaster.health.pump import Sign, busiest_hour, cycle_rates, examine, restarts_at_once, runs_back, trend

DRAWDOWN_L = 33.36  # 8.813 US gal


def pumped(days: float, fall: float = 0.0, watts_rise: float = 0.0, seed: int = 1) -> list[Run]:
    """Runs of a pit by V/Qp-Qi and V/Qi, the inflow wandering widely, the pump losing `fall` over the time."""
    rng = np.random.default_rng(seed)
    at_s, found = 0.0, []
    while at_s < days * 86_400:
        share = at_s / (days * 86_400)
        rate = 151.4 / 60 * (1 - fall * share)  # 40 gpm
        inflow = 3 / 60 * np.exp(0.8 * np.sin(at_s / 90_000) + rng.normal(0, 0.05))
        run_s = DRAWDOWN_L / (rate - inflow) * rng.normal(1, 0.02)
        watts = 480 * (1 + watts_rise * share) * rng.normal(1, 0.005)
        start, stop = round(at_s * 1000), round((at_s + run_s) * 1000)
        found.append(
            Run("s", start, stop, watts * run_s / 3600, watts, watts, Quantity.PUMP_POWER, Supply.MAINS, samples=9)
        )
        at_s += run_s + DRAWDOWN_L / inflow
    return found


def signs(runs: Sequence[Run]) -> set[Sign]:
    return {finding.sign for finding in examine(runs).findings}


def test_pump_rate_of_a_cycle_without_knowing_the_volume() -> None:
    """Off 300 s, on 25 s: Qp/V = 1/25 + 1/300, so 22.91 gpm for 8.813 gal (UFC 3-240-04A chapter 7: Qi = V/t)."""
    first = Run("s", 0, 25_000, None, None, None, Quantity.PUMP_POWER, Supply.MAINS, samples=5)
    after = replace(first, start_ms=325_000, stop_ms=350_000)
    _, rates = cycle_rates([first, after])
    assert rates[0] * 60 * 8.813 == pytest.approx(22.91, abs=0.01)


def test_a_worn_impeller_is_told_and_a_sound_one_is_not() -> None:
    worn = examine(pumped(60, fall=0.25))
    assert worn.flow is not None
    assert worn.flow.change == pytest.approx(-0.25, abs=0.04)
    assert worn.flow.low < worn.flow.change < worn.flow.high < 0.0, "that it fell at all is beyond doubt"
    assert Sign.FLOW_FALLING in {f.sign for f in worn.findings}
    assert signs(pumped(60)) == set()


@pytest.mark.slow
def test_wet_and_dry_weeks_are_not_wear() -> None:
    """False alarms over many sound pumps whose inflow wanders: none."""
    assert all(signs(pumped(30, seed=seed)) == set() for seed in range(12))


def test_power_that_rises_or_falls() -> None:
    assert signs(pumped(30, watts_rise=0.2)) == {Sign.POWER_CHANGED}
    assert signs(pumped(30, watts_rise=-0.2)) == {Sign.POWER_CHANGED}


def test_short_records_tell_no_trend() -> None:
    assert examine(pumped(3)).flow is None
    assert examine([]).findings == ()
    assert trend(np.arange(20.0), np.full(20, 3.0)) is None
    flat = trend(np.repeat(np.arange(10.0), 5), np.full(50, 3.0))
    assert flat is not None
    assert flat.p_value == 1.0


def test_restarts_at_once_point_at_the_check_valve() -> None:
    sound = pumped(2)
    assert restarts_at_once(sound) == 0.0
    assert restarts_at_once(sound[:5]) is None
    leaking = []
    for k, run in enumerate(sound):
        leaking.append(run)
        if k % 3 == 0:
            leaking.append(replace(run, start_ms=run.stop_ms + 8_000, stop_ms=run.stop_ms + 12_000))
    assert Sign.CHECK_VALVE in signs(leaking)


def test_water_that_runs_back_is_seen_in_the_level() -> None:
    runs = pumped(0.3)
    times = np.arange(0, 0.3 * 86_400, 5.0)
    since = np.array([t - max([0.0, *(r.stop_ms / 1000 for r in runs if r.stop_ms / 1000 <= t)]) for t in times])
    steady = [(round(t * 1000), 0.0003 * s) for t, s in zip(times, since, strict=True)]
    back = [(t, h + 0.03 * min(1.0, s / 15)) for (t, h), s in zip(steady, since, strict=True)]
    even, odd = runs_back(runs, steady), runs_back(runs, back)
    assert even is not None
    assert even < 1.5
    assert odd is not None
    assert odd > 3
    assert Sign.CHECK_VALVE in {f.sign for f in examine(runs, back).findings}
    assert runs_back(runs, []) is None


def test_short_cycling_and_pinned_power() -> None:
    quick = [
        Run("s", k * 60_000, k * 60_000 + 3_000, 0.4, 480, 480, Quantity.PUMP_POWER, Supply.MAINS, samples=3)
        for k in range(90)
    ]
    assert busiest_hour(quick) == 60
    assert Sign.SHORT_CYCLING in signs(quick)
    pinned = [replace(run, clipped=True) for run in pumped(1)]
    assert Sign.PINNED in signs(pinned)
