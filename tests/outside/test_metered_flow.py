"""Hourly flow of a water main as the open-source `river` package carries it (Tecnojest, March to May 2022).

1,268 hours, nearly level but for repairs and a pumping; scaled to a pit whose pump draws 20 W in the mean.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from numpy.typing import NDArray
from river import datasets

from forecaster.domain.forecast import LEVELS
from forecaster.domain.site import Pit, Pump
from forecaster.water.inflow import Inflow

Array = NDArray[np.float64]

HOUR_MS, DAY_H = 3_600_000, 24
AHEAD_S = np.linspace(0.0, 24.0, 9) * 3600.0


def series() -> tuple[list[int], Array]:
    """Begin of each hour [ms] and the pump's mean power in it [W]."""
    rows = pd.read_csv(Path(datasets.__file__).parent / "water-flow.csv")
    begins = [round(pd.Timestamp(str(told)).timestamp() * 1000.0) for told in rows["Time"]]
    power = rows["Water flow [l/s]"].to_numpy(dtype=np.float64)
    return begins, 20.0 * power / np.median(power)


def pinball(truth: float, told: Array) -> float:
    """Mean quantile loss over the levels of a forecast [Wh]."""
    levels, miss = np.asarray(LEVELS), truth - told
    return float(np.mean(np.maximum(levels * miss, (levels - 1.0) * miss)))


@pytest.mark.slow
def test_a_day_ahead_of_a_level_main() -> None:
    """Rolling origin every seven hours, after three days; the next day's energy, 480 Wh as a rule.

    Achieved: the mean pinball loss is 25 Wh, the present rate carried on has 10 Wh. A regulated main is not a pit: it
    hardly ever moves, and there nothing beats carrying on, while the model looks for part of a level inflow in rain
    that will end. The loss stays within 6 % of the day's energy, the middle misses the day by 15 % in the median,
    and the 10-90 % range, not widened by backtests, holds 61 of a hundred days rather than 80.
    """
    begins, power = series()
    assert len(begins) == 1268
    inflow, losses, carried, held, misses = Inflow(Pump(rated_power_w=480.0), Pit()), [], [], [], []
    for hour in range(len(begins) - DAY_H):
        now_ms = begins[hour] + HOUR_MS
        inflow.observe(begins[hour], now_ms, float(power[hour]))
        whole_day = begins[hour + DAY_H] - begins[hour] == DAY_H * HOUR_MS
        if hour < 72 or hour % 7 or not whole_day:
            continue
        truth = float(power[hour + 1 : hour + 1 + DAY_H].sum())
        ends = inflow.draw_ahead(now_ms, AHEAD_S, 256, np.random.default_rng(hour))[:, -1]
        told = np.quantile(ends, LEVELS)
        losses.append(pinball(truth, told))
        carried.append(pinball(truth, np.full(len(LEVELS), power[hour] * DAY_H)))
        held.append(told[1] <= truth <= told[5])
        misses.append(abs(told[3] / truth - 1.0))
    assert len(losses) > 140
    assert np.mean(losses) < 0.06 * 20.0 * DAY_H
    assert np.mean(held) > 0.5
    assert np.median(misses) < 0.17
    assert np.mean(losses) < 2.6 * np.mean(carried)
