"""A practitioner's rehearsal, and the plain arithmetic beside it. Common practice, no source.

A pack of 720 Wh (600 W continuous, 1,200 W surge), a pump of 800 W by its plate, 20 runs an hour of 10 s. Plain
arithmetic gives 44.4 Wh an hour, 16.2 h. A drain over more than six hours, with about 600 W shown while pumping,
2.5 to 3 minutes between starts and the charge in whole percent, came to 17.6 h from full to empty.
"""

from __future__ import annotations

import random
from dataclasses import replace

import pytest

from forecaster.domain.forecast import Quantiles
from forecaster.domain.quantities import Quantity
from forecaster.domain.readings import Reading
from forecaster.domain.runs import Run
from forecaster.domain.site import Channel, Pack, Pump, Site
from forecaster.engine import Engine

START = 1_772_500_000_000
HOUR = 3_600_000
MEASURED_H = 17.6
SITE = Site(
    id="rehearsal",
    name="A rehearsal",
    timezone="America/Chicago",
    pump=Pump(rated_voltage_v=120.0, rated_power_w=800.0),
    pack=Pack(capacity_wh=720.0, continuous_w=600.0, surge_w=1200.0, reserve_percent=0.0),
    channels=tuple(
        Channel(quantity, f"cellar/{quantity.value}")
        for quantity in (Quantity.PUMP_POWER, Quantity.PACK_CHARGE, Quantity.MAINS_PRESENT)
    ),
)


def rehearsal(hours: float, every_s: int = 2) -> list[Reading]:
    """What was seen: starts 2.5 to 3 minutes apart, 10 s at about 600 W, charge falling to nothing in 17.6 h."""
    dice = random.Random(17)
    starts, at_s = [], 0.0
    while at_s < hours * 3600.0:
        at_s += dice.uniform(150.0, 180.0)
        starts.append(at_s)
    found, nearest = [], 0
    for second in range(0, int(hours * 3600.0), every_s):
        while nearest + 1 < len(starts) and starts[nearest + 1] <= second:
            nearest += 1
        on = starts[nearest] <= second < starts[nearest] + 10.0
        at = START + second * 1000
        shown = 600.0 + dice.uniform(-4.0, 4.0) if on else 0.0
        found.append(Reading(SITE.id, Quantity.PUMP_POWER, at, shown, at))
        if second % 60 == 0:
            charge = float(round(100.0 * (1.0 - second / 3600.0 / MEASURED_H)))
            found.append(Reading(SITE.id, Quantity.PACK_CHARGE, at, charge, at))
            found.append(Reading(SITE.id, Quantity.MAINS_PRESENT, at, 0.0 if second else 1.0, at))
    return found


def after(hours: float, site: Site = SITE) -> tuple[Engine, Quantiles]:
    engine = Engine(site)
    for reading in rehearsal(hours):
        engine.update(reading)
    return engine, engine.forecast(START + int(hours * HOUR)).hours_to_empty


def test_plain_arithmetic() -> None:
    per_hour_wh = 800.0 * 20 * 10.0 / 3600.0
    assert per_hour_wh == pytest.approx(44.4, abs=0.05)
    assert 720.0 / per_hour_wh == pytest.approx(16.2, abs=0.01)


@pytest.mark.parametrize("hours", [0.5, 2.0, 6.0, 9.0])
def test_the_measured_hours_lie_in_the_range_given(hours: float) -> None:
    _, quantiles = after(hours)
    assert quantiles.p10 is not None
    assert quantiles.p90 is not None
    assert quantiles.p10 < MEASURED_H - hours < quantiles.p90


@pytest.mark.parametrize("hours", [6.0, 9.0, 12.0])
def test_from_hour_six_on_the_middle_is_within_five_percent_of_the_whole(hours: float) -> None:
    _, quantiles = after(hours)
    assert quantiles.p50 is not None
    assert quantiles.p50 + hours == pytest.approx(MEASURED_H, rel=0.05)


def test_power_pinned_at_the_rating_is_clipped_and_the_range_says_so() -> None:
    engine, pinned = after(1.0)
    runs = [event for event in engine.events() if isinstance(event, Run)]
    assert all(run.clipped for run in runs[1:])
    assert engine.status(START + HOUR).power_pinned
    assert "power at the pack's rating: may be higher" in engine.forecast(START + HOUR).degraded
    roomy, free = after(1.0, replace(SITE, pack=replace(SITE.pack, continuous_w=900.0)))
    assert not roomy.status(START + HOUR).power_pinned
    spreads = []
    for quantiles in (pinned, free):
        assert quantiles.p10 is not None
        assert quantiles.p90 is not None
        spreads.append(quantiles.p90 / quantiles.p10)
    assert spreads[0] > 1.02 * spreads[1]
