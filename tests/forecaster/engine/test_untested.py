"""A pack that is never tested: what is known of it wears off while it waits on mains."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from forecaster.discharge import analyse
from forecaster.domain.quantities import Quantity
from forecaster.domain.readings import Reading
from forecaster.domain.times import DAY_MS, YEAR_DAYS
from forecaster.engine import Engine
from forecaster.pack.belief import AGEING_PER_MONTH, PackBelief
from forecaster.pack.chargeline import CAPACITY
from tests.forecaster.cellar import HOUR, START, charges, in_order, mains, pumping, sampled, site
from tests.forecaster.rehearsals import rehearse

MEASURED = (Quantity.PUMP_POWER, Quantity.PACK_CHARGE, Quantity.MAINS_PRESENT)
YEAR_MS = round(YEAR_DAYS * DAY_MS)
FIRST_H = 6.0


def calm(later_ms: int = 0) -> list[Reading]:
    """Six calm hours on mains, so much later."""
    truth = pumping(FIRST_H)
    charge = charges(FIRST_H, [(0.0, 100.0), (FIRST_H, 100.0)])
    readings = in_order(sampled(truth, FIRST_H, 5.0), mains(FIRST_H, []), charge)
    return [replace(item, time_ms=item.time_ms + later_ms, arrived_ms=item.arrived_ms + later_ms) for item in readings]


def spread(engine: Engine, at_ms: int) -> float:
    """Half of the 10-90 % range of hours over its middle."""
    hours = engine.forecast(at_ms).hours_remaining
    assert hours.p10 is not None
    assert hours.p50 is not None
    assert hours.p90 is not None
    return (hours.p90 - hours.p10) / 2.0 / hours.p50


def test_five_years_on_mains_widen_the_range() -> None:
    """A walk of 1 % a month: after sixty months 7.7 % of the capacity, or ±9.9 % at 10 and 90 %, beside the rest."""
    tested, now = START + round(FIRST_H * HOUR), START + round(FIRST_H * HOUR) + 5 * YEAR_MS
    result = analyse(rehearse(4, 0.6).evidence)
    engines = {tested: Engine(site(*MEASURED)), now: Engine(site(*MEASURED))}
    for at_ms, engine in engines.items():
        for item in (*calm(), *calm(5 * YEAR_MS)):
            engine.update(item)
        engine.adopt(result, at_ms)
    before, after = spread(engines[now], now), spread(engines[tested], now)
    walked = 1.2816 * AGEING_PER_MONTH * math.sqrt(60.0)
    assert math.hypot(before, walked) <= after <= 1.3 * math.hypot(before, walked)  # losses walk too, half as far
    again = Engine.restore(site(*MEASURED), engines[tested].snapshot())
    assert spread(again, now) == after


def test_a_pack_that_nobody_ever_tested_ages_from_the_first_cycle_on() -> None:
    belief = PackBelief(site(*MEASURED).pack)
    belief.seen(START)
    belief.seen(START + YEAR_MS)
    assert belief.last_end_ms == START
    aged = belief.untested(START + 5 * YEAR_MS).covariance[CAPACITY, CAPACITY] - belief.covariance[CAPACITY, CAPACITY]
    assert math.sqrt(aged) == pytest.approx(AGEING_PER_MONTH * math.sqrt(60.0), rel=0.01)
    assert belief.untested(START + DAY_MS - 1) is belief
    belief.begin(START + 5 * YEAR_MS, 100.0)
    begun = belief.covariance[CAPACITY, CAPACITY]
    assert belief.untested(START + 5 * YEAR_MS) is belief
    assert begun == pytest.approx(aged + PackBelief(belief.pack).covariance[CAPACITY, CAPACITY], rel=1e-3)
