"""The pit as the manuals have it: runs sampled from the cycle formula give back cycles, duty and inflow.

Source: T = V/(Qp-Qi) + V/Qi, shortest at Qi = Qp/2; duty = Qi/Qp (MIL-HDBK-1005/9A 2.5.3.6 Eq. 1-2). With
V 8.813 US gal and Qp 40 gpm: cycles an hour 6.64, 29.8, 51.1, 68.1, 51.1, 12.9 at 1, 5, 10, 20, 30, 38 gpm (computed).
"""

from __future__ import annotations

import pytest

from forecaster.domain.quantities import Quantity
from forecaster.domain.readings import Reading
from forecaster.domain.site import Channel, Pack, Pit, Pump, Site
from forecaster.engine import Engine

START = 1_772_500_000_000
HOUR = 3_600_000
L_PER_GAL = 3.785411784
VOLUME_GAL, PUMP_GPM = 8.813, 40.0
DRAWDOWN_M = 0.18
SITE = Site(
    id="larkspur",
    name="Larkspur Lane cellar",
    timezone="America/Chicago",
    pump=Pump(rated_voltage_v=115.0, rated_power_w=480.0),
    pit=Pit(area_m2=VOLUME_GAL * L_PER_GAL / 1000.0 / DRAWDOWN_M, drawdown_m=DRAWDOWN_M, freeboard_m=0.3),
    pack=Pack(capacity_wh=1024.0),
    channels=(Channel(Quantity.PUMP_POWER, "cellar/plug"), Channel(Quantity.MAINS_PRESENT, "cellar/mains")),
)


@pytest.mark.parametrize(
    ("inflow_gpm", "cycles", "duty"),
    [(1, 6.64, 0.025), (5, 29.8, 0.125), (10, 51.1, 0.25), (20, 68.1, 0.5), (30, 51.1, 0.75), (38, 12.9, 0.95)],
)
def test_cycles_duty_and_inflow_come_back_from_sampled_power(inflow_gpm: float, cycles: float, duty: float) -> None:
    on_s = VOLUME_GAL / (PUMP_GPM - inflow_gpm) * 60.0
    off_s = VOLUME_GAL / inflow_gpm * 60.0
    assert 3600.0 / (on_s + off_s) == pytest.approx(cycles, rel=0.005)
    assert on_s / (on_s + off_s) == pytest.approx(duty)
    engine = Engine(SITE)
    for second in range(0, 6 * 3600):
        at = START + second * 1000
        on = second % (on_s + off_s) < on_s
        engine.update(Reading(SITE.id, Quantity.PUMP_POWER, at, 480.0 if on else 0.0, at))
    forecast = engine.forecast(START + 6 * HOUR)
    # near a pump that never rests, a thousandth of duty is two hundredths of cycles: d (1 - d) Qp / V
    assert forecast.cycles_per_hour == pytest.approx(cycles, rel=0.03 if duty < 0.9 else 0.15)
    assert forecast.duty == pytest.approx(duty, rel=0.03)
    assert forecast.water.inflow_l_per_min == pytest.approx(inflow_gpm * L_PER_GAL, rel=0.06 if duty < 0.9 else 0.15)
    assert forecast.water.pump_rate_l_per_min == pytest.approx(PUMP_GPM * L_PER_GAL, rel=0.06 if duty < 0.9 else 0.15)
