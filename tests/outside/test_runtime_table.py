"""The runtime table of an intermittent load through the live engine, from sampled power.

1024 Wh x 0.9, 500 W x 25 s a run, inverter 0.88, idle 10 W DC: hours = 921.6 / (rate x 3.472 Wh / 0.88 + 10 W)
by hand.
"""

from __future__ import annotations

import pytest

from forecaster.domain.quantities import Quantity
from forecaster.domain.readings import Reading
from forecaster.domain.runs import Supply
from forecaster.domain.site import Channel, Pack, Pump, Site
from forecaster.engine import Engine

START, DAY_S = 1_772_500_000_000, 86_400
SITE = Site(
    id="larkspur",
    name="Larkspur Lane cellar",
    timezone="America/Chicago",
    pump=Pump(rated_voltage_v=115.0, rated_power_w=500.0),
    pack=Pack(capacity_wh=1024.0, inverter_efficiency=0.88, idle_w=10.0, reserve_percent=10.0),
    channels=tuple(
        Channel(quantity, f"cellar/{quantity.value}")
        for quantity in (Quantity.PUMP_POWER, Quantity.PACK_CHARGE, Quantity.MAINS_PRESENT)
    ),
)


@pytest.mark.parametrize(("cycles", "hours"), [(2, 51.5), (6, 27.4), (12, 16.07), (20, 10.37)])
def test_after_a_day_on_mains_the_full_pack_is_told_as_the_table_has_it(cycles: int, hours: float) -> None:
    """Achieved in the middle: 49.99, 27.98, 15.77 and 10.00 h. The pack is a belief (its capacity not yet measured),
    and rain that nobody announced may come, so the table lies within the middle half of the range, not on a point.
    """
    engine = Engine(SITE)
    for second in range(0, DAY_S, 5):
        at = START + second * 1000
        on = second % (3600 / cycles) < 25
        told = [(Quantity.PUMP_POWER, 500.0 if on else 0.0)]
        if second % 60 == 0:
            told += [(Quantity.PACK_CHARGE, 100.0), (Quantity.MAINS_PRESENT, 1.0)]
        for quantity, value in told:
            engine.update(Reading(SITE.id, quantity, at, value, at))
    forecast = engine.forecast(START + DAY_S * 1000)
    assert forecast.supply is Supply.MAINS
    assert forecast.draw_w == pytest.approx(921.6 / hours, rel=0.015)
    remaining = forecast.hours_remaining
    assert remaining.p50 == pytest.approx(hours, rel=0.05)
    assert remaining.p25 is not None
    assert remaining.p75 is not None
    assert remaining.p25 < hours < remaining.p75
