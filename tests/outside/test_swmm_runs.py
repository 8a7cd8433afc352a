"""Runs found in sampled readings match the record of an independent pump: EPA SWMM's, through pyswmm."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from api.offline.outside.swmm import YARD, PumpRecord, simulate
from forecaster.domain.quantities import Quantity
from forecaster.domain.readings import Reading
from forecaster.domain.runs import Run
from forecaster.domain.site import Channel, Pack, Pit, Pump, Site
from forecaster.engine import Engine

BEGIN = datetime(2026, 3, 1, tzinfo=UTC)
HOURS = 30
RUNNING_W = 430.0
SITE = Site(
    id="larkspur",
    name="Larkspur Lane cellar",
    timezone="America/Chicago",
    pump=Pump(rated_voltage_v=115.0, rated_power_w=480.0),
    pit=Pit(area_m2=YARD.pit_area_m2, drawdown_m=YARD.drawdown_m, freeboard_m=0.3),
    pack=Pack(capacity_wh=1024.0),
    channels=(Channel(Quantity.PUMP_POWER, "cellar/plug"),),
)


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> PumpRecord:
    folder: Path = tmp_path_factory.mktemp("swmm")
    return simulate(folder, BEGIN, [0.0, 0.0, 4.0, 9.0, 6.0, 1.0, *[0.0] * (HOURS - 6)])


@pytest.mark.slow
@pytest.mark.parametrize("every_s", [1, 2, 5])
def test_runs_match_the_pumps_own_record(record: PumpRecord, every_s: int) -> None:
    start_ms = round(BEGIN.timestamp() * 1000.0)
    engine = Engine(SITE)
    for second in range(0, HOURS * 3600, every_s):
        index = int(np.searchsorted(record.start_s, second, side="right")) - 1
        on = index >= 0 and second < record.stop_s[index]
        at = start_ms + second * 1000
        engine.update(Reading(SITE.id, Quantity.PUMP_POWER, at, RUNNING_W if on else 0.0, at))
    runs = [event for event in engine.events() if isinstance(event, Run)]
    assert len(record.start_s) > 100
    assert len(runs) == pytest.approx(len(record.start_s), abs=2)
    starts = np.array([(run.start_ms - start_ms) / 1000.0 for run in runs])
    nearest = np.abs(starts[:, None] - record.start_s[None, :]).min(axis=1)
    assert nearest.max() <= every_s
    true_s = float(np.mean(record.stop_s - record.start_s))
    assert float(np.mean([run.run_s for run in runs])) == pytest.approx(true_s, rel=0.02)
    true_wh = float(np.sum(record.stop_s - record.start_s)) * RUNNING_W / 3600.0
    assert sum(run.energy_wh or 0.0 for run in runs) == pytest.approx(true_wh, rel=0.02 if every_s < 5 else 0.03)


@pytest.mark.slow
def test_inflow_and_pump_rate_come_back_at_the_end_of_the_recession(record: PumpRecord) -> None:
    start_ms = round(BEGIN.timestamp() * 1000.0)
    engine = Engine(SITE)
    for second in range(HOURS * 3600):
        index = int(np.searchsorted(record.start_s, second, side="right")) - 1
        on = index >= 0 and second < record.stop_s[index]
        engine.update(
            Reading(
                SITE.id,
                Quantity.PUMP_POWER,
                start_ms + second * 1000,
                RUNNING_W if on else 0.0,
                start_ms + second * 1000,
            )
        )
    water = engine.forecast(start_ms + HOURS * 3_600_000).water
    off_s = record.start_s[-1] - record.stop_s[-2]
    volume_l = YARD.pit_area_m2 * (YARD.drawdown_m) * 1000.0
    assert water.inflow_l_per_min == pytest.approx(volume_l / off_s * 60.0, rel=0.1)
    assert water.pump_rate_l_per_min == pytest.approx(YARD.pump_l_per_s * 60.0, rel=0.1)
