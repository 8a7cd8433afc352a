"""What must hold of every sizing: directions of change, order of quantiles, seasons and records."""

from __future__ import annotations

import json
import re
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from forecaster.domain.records import RunTotals
from forecaster.domain.site import Load, Pack, Pump, Site
from forecaster.domain.times import HOUR_MS
from forecaster.pack.nameplate import running_w
from forecaster.sizing.answer import document, size
from forecaster.sizing.draw import running_draw
from forecaster.sizing.question import Question
from forecaster.sizing.runtime import triangular
from forecaster.sizing.seasons import record_of
from forecaster.sizing.terms import Band, number
from forecaster.sizing.told import told
from tests.strategies import packs, pumps

rhythms = st.builds(lambda duty, run_s: Question(duty * 3600 / run_s, run_s), st.floats(0.01, 0.8), st.floats(3, 60))


@pytest.mark.slow
@settings(max_examples=25, deadline=None)
@given(pumps, packs, rhythms)
@example(Pump(115, (2.0, 2.0)), Pack(4657.0, 200.0, 200.0), Question(18.75, 3.0))  # about as long as the horizon
@example(Pump(115, (2.0, 2.0)), Pack(9000.0, 200.0, 400.0, idle_w=0.0), Question(0.1, 3.0))  # far beyond it
def test_directions_and_order(pump: Pump, pack: Pack, question: Question) -> None:
    site = Site("s", "s", "UTC", pump, pack)
    found = size(site, question)
    lasting = [h for h in found.hours_remaining.values() if h is not None]
    assert lasting == sorted(lasting)
    middle = found.hours_remaining.p50 or 1e9
    bigger = size(replace(site, pack=replace(pack, capacity_wh=1.5 * pack.capacity_wh)), question)
    assert (bigger.hours_remaining.p50 or 1e9) >= middle
    loaded = size(replace(site, loads=(Load("router", 20),)), question)
    assert (loaded.hours_remaining.p50 or 1e9) <= middle
    assert found.simple_estimate_h is not None
    assert middle < found.simple_estimate_h or found.hours_remaining.p50 is None
    assert found.running_va is not None
    assert found.running_w is not None
    assert found.running_w.mid <= found.running_va.mid * 1.0001
    for step in found.steps:
        assert np.isfinite(step.value) or (step.unit == "h" and found.hours_remaining.p50 is None)
    assert not {"inf", "nan", "None"} & set(re.findall(r"\w+", told(found)))
    json.dumps(document(found), allow_nan=False)


@settings(max_examples=50, deadline=None)
@given(st.floats(0, 100), st.floats(0, 100), st.floats(0, 100))
def test_triangular_draws_stay_inside_and_have_the_mean_of_a_triangle(a: float, b: float, c: float) -> None:
    """Mean of a triangle: (low + mid + high) / 3."""
    band = Band(*sorted((a, b, c)))
    drawn = triangular(band, (np.arange(4000) + 0.5) / 4000)
    assert drawn.min() >= band.low - 1e-9
    assert drawn.max() <= band.high + 1e-9
    assert drawn.mean() == pytest.approx((a + b + c) / 3, abs=0.01 + 1e-3 * (band.high - band.low))


def test_single_nameplates_run_as_the_live_forecast_takes_them() -> None:
    """The middle of the running draw is the live forecast's starting belief."""
    for pump in (
        Pump(rated_voltage_v=115, rated_power_w=480, rated_current_a=(5, 5)),
        Pump(rated_voltage_v=115, rated_current_a=(5, 5), power_factor=0.7),
        Pump(rated_voltage_v=115, rated_current_a=(4, 8)),
        Pump(rated_voltage_v=115, horsepower=0.5),
    ):
        assert running_draw(pump, None).w.mid == pytest.approx(running_w(pump), rel=0.01)


def hour(index: int, wh: float | None, total_s: float = 100.0) -> RunTotals:
    return RunTotals(index * HOUR_MS, 10, total_s, 8.0, 12.0, wh)


def test_record_of_a_sites_own_wettest_day_and_hour() -> None:
    """Ten days at 20 Wh an hour but for one day at 100 and one hour of it at 300; hours without a run count as none."""
    energy = np.full(240, 20.0)
    energy[120:144] = 100.0
    energy[130] = 300.0
    energy[200:230] = 0.0
    pump = Pump(rated_voltage_v=115, rated_power_w=480)
    record = record_of([hour(k, float(wh)) for k, wh in enumerate(energy) if wh > 0], pump)
    assert record is not None
    assert record.wettest_hour_w == 300
    assert record.wettest_day_w == pytest.approx((23 * 100 + 300) / 24)
    assert record.usual_w == pytest.approx(20)
    assert record.dry_w < 20
    assert record.days == pytest.approx(238 / 24)


def test_record_without_energy_counts_running_time_at_the_nameplate() -> None:
    pump = Pump(rated_voltage_v=115, rated_power_w=360)
    record = record_of([hour(k, None, 100.0) for k in range(72)], pump)
    assert record is not None
    assert record.usual_w == pytest.approx(10)  # 360 W x 100 s / 3600 s
    assert record_of([hour(k, 5.0) for k in range(20)], pump) is None
    assert record_of([], pump) is None


def test_numbers_as_people_write_them() -> None:
    assert [number(v) for v in (0, 0.05556, 16.2, 719.6, 6762.0)] == ["0", "0.0556", "16.2", "720", "6,762"]
