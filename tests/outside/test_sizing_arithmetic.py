"""The arithmetic of a sizing against worked figures, pvlib and fluids."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from fluids import friction_factor
from pvlib import clearsky, solarposition

from forecaster.domain.site import Chemistry, Load, Pack, Pump, Site
from forecaster.pack.battery import peukert_hours
from forecaster.pack.sun import clear_sky_w_per_m2
from forecaster.sizing.answer import Sizing, size
from forecaster.sizing.draw import flow_share, running_draw
from forecaster.sizing.options import Change
from forecaster.sizing.panel import charging_wh
from forecaster.sizing.pipe import Pipe, darcy_head_m, friction_head_m, operating_point, water_power_w
from forecaster.sizing.question import InflowRecord, Question
from forecaster.sizing.runtime import runtime_h

FOOT = 0.3048
INCH = 0.0254
GPM = 3.785411784


def step(sizing: Sizing, name: str) -> float:
    return next(s.value for s in sizing.steps if s.name == name)


def test_volt_amperes_that_people_call_watts() -> None:
    """120 V with 4.7 to 9.4 A: 564 and 1128 VA (common practice, no source)."""
    draw = running_draw(Pump(rated_voltage_v=120, rated_current_a=(4.7, 9.4)), None)
    assert draw.va.low == pytest.approx(564)
    assert draw.va.high == pytest.approx(1128)
    assert draw.w.high < draw.va.high
    assert draw.w.low < draw.va.low


def test_watts_and_volt_amperes_differ() -> None:
    """115 V x 6.6 A = 759 VA; at power factor 0.62, 470.6 W."""
    pump = Pump(rated_voltage_v=115, rated_current_a=(6.6, 6.6), power_factor=0.62)
    draw = running_draw(pump, None)
    assert draw.va.high == pytest.approx(759)
    assert draw.w.high == pytest.approx(470.6, abs=0.05)


def test_head_places_the_draw_and_keeps_the_doubt() -> None:
    """8 ft of lift where 23 ft is the most (common practice, no source): nearer to the top, falling as head rises."""
    heads = [0.1, 8 * FOOT, 15 * FOOT, 22.9 * FOOT]
    pumps = [
        Pump(rated_voltage_v=120, rated_current_a=(4.7, 9.4), static_head_m=h, maximum_head_m=23 * FOOT) for h in heads
    ]
    draws = [running_draw(pump, None) for pump in pumps]
    mids = [draw.va.mid for draw in draws]
    assert mids == sorted(mids, reverse=True)
    assert mids[1] == pytest.approx(564 + 564 * math.sqrt(1 - 8 / 23))
    for draw in draws:
        assert draw.va.low == pytest.approx(564)
        assert draw.va.high == pytest.approx(1128)
        assert any("less as the head rises" in caution for caution in draw.cautions)
    assert flow_share(0, 5) == 1
    assert flow_share(5, 5) == 0


def test_simple_estimate_of_common_practice() -> None:
    """720 Wh, 800 W, 20 runs of 10 s: 44.4 Wh an hour, 16.2 h; without pause 0.9 h (common practice, no source)."""
    site = Site(
        "s", "s", "UTC", Pump(rated_voltage_v=120, rated_power_w=800, rated_current_a=(8, 8)), Pack(720, 900, 1800)
    )
    sizing = size(site, Question(20, 10))
    assert step(sizing, "energy an hour") == pytest.approx(44.4, abs=0.05)
    assert sizing.simple_estimate_h == pytest.approx(16.2)
    assert step(sizing, "without pause") < 1
    assert sizing.hours_remaining.p95 is not None
    assert sizing.hours_remaining.p95 < 16.2


@pytest.mark.parametrize(
    ("cycles", "with_idle", "without"), [(2, 51.5, 116.8), (6, 27.4, 38.9), (12, 16.07, 19.5), (20, 10.37, 11.7)]
)
def test_runtime_table(cycles: float, with_idle: float, without: float) -> None:
    """1024 Wh x 0.9, 500 W x 25 s a run, inverter 0.88, idle 10 W DC: by hand from the formula."""
    assert runtime_h(1024, 0.9, 500, 25, cycles, 0.88, 10) == pytest.approx(with_idle, rel=0.002)
    assert runtime_h(1024, 0.9, 500, 25, cycles, 0.88, 0) == pytest.approx(without, rel=0.002)


def test_the_middle_of_the_range_follows_the_table_arithmetic() -> None:
    """The range around the same case: its middle is the formula at median beliefs, not some other number."""
    pump = Pump(rated_voltage_v=115, rated_power_w=500, rated_current_a=(6, 6))
    site = Site("s", "s", "UTC", pump, Pack(1024, 900, 1800, inverter_efficiency=0.88, idle_w=10))
    sizing = size(site, Question(12, 25, running_w=500))
    capacity = step(sizing, "capacity believed")
    assert sizing.hours_remaining.p50 == pytest.approx(runtime_h(capacity, 0.9, 500, 25, 12, 0.88, 10), rel=0.02)
    usable, drain = step(sizing, "usable energy"), step(sizing, "mean drain")
    assert usable == pytest.approx(0.9 * capacity)  # from 100 % to the reserve of 10 %
    assert drain == pytest.approx(500 * 25 * 12 / 3600 / 0.88 + 10)
    assert step(sizing, "hours at these middle values") == pytest.approx(usable / drain)


@pytest.mark.parametrize(
    ("exponent", "current", "hours"),
    [(1.2, 5, 20.0), (1.2, 10, 8.706), (1.2, 20, 3.789), (1.2, 50, 1.262), (1.05, 10, 9.659), (1.05, 50, 1.783)],
)
def test_peukert(exponent: float, current: float, hours: float) -> None:
    """t = H (C / (I H))^k, 100 Ah at 20 h: by hand."""
    assert peukert_hours(20, 100, current, exponent) == pytest.approx(hours, abs=0.001)


def test_cold_age_and_lead_acid_shorten() -> None:
    """Table of "Uninterruptible Power Supplies and Standby Power Systems" p. 199; 1/1.25, IEEE 485 practice."""
    pump = Pump(rated_voltage_v=115, rated_power_w=480, rated_current_a=(5.2, 5.2))
    pack = Pack(1200, 1500, 3000, chemistry=Chemistry.LEAD_ACID, reserve_percent=50)
    site = Site("s", "s", "UTC", pump, pack)
    warm = size(site, Question(20, 10, temperature_c=25))
    cold = size(site, Question(20, 10, temperature_c=4.4))
    old = size(site, Question(20, 10, temperature_c=25, end_of_life=True))
    lithium = size(Site("s", "s", "UTC", pump, Pack(1200, 1500, 3000, reserve_percent=50)), Question(20, 10))
    assert step(cold, "capacity in the cold") == 0.845
    assert step(old, "capacity at the end of life") == pytest.approx(1 / 1.25)
    p50 = [s.hours_remaining.p50 or 0.0 for s in (warm, cold, old, lithium)]
    assert p50[1] == pytest.approx(0.845 * p50[0], rel=0.001)
    assert p50[2] == pytest.approx(0.8 * p50[0], rel=0.001)
    assert p50[3] > p50[0]
    assert any("hydrogen" in caution for caution in warm.cautions)


def test_friction_head_examples() -> None:
    """Hazen-Williams (US): 200 gpm, 3.048 in, C 140: 9.0 ft in 100 ft; 1.610 in, C 150: 2.49, 8.98, 19.03 ft."""
    assert friction_head_m(Pipe(3.048 * INCH, 100 * FOOT, 140), 200 * GPM) / FOOT == pytest.approx(9.0, abs=0.05)
    for gpm, feet in ((20, 2.49), (40, 8.98), (60, 19.03)):
        assert friction_head_m(Pipe(1.610 * INCH, 100 * FOOT), gpm * GPM) / FOOT == pytest.approx(feet, rel=0.003)


@pytest.mark.parametrize("gpm", [20.0, 40.0, 60.0])
def test_darcy_agrees_with_fluids_and_with_hazen_williams(gpm: float) -> None:
    """Swamee-Jain against the same correlation in `fluids`; the two friction laws agree within a few percent."""
    pipe = Pipe(1.610 * INCH, 100 * FOOT)
    speed = gpm * GPM / 60_000 / (math.pi * pipe.bore_m**2 / 4)
    reynolds = speed * pipe.bore_m / 1.139e-6
    factor = friction_factor(Re=reynolds, eD=1.5e-6 / pipe.bore_m, Method="Swamee_Jain_1976")
    expected = factor * pipe.length_m / pipe.bore_m * speed**2 / (2 * 9.80665)
    assert darcy_head_m(pipe, gpm * GPM) == pytest.approx(expected, rel=1e-5)
    assert darcy_head_m(pipe, gpm * GPM) == pytest.approx(friction_head_m(pipe, gpm * GPM), rel=0.06)


def test_darcy_worked_example() -> None:
    """40 gpm in 1.610 in, 100 ft: 8.98 ft (Re 68 984, f 0.01951, Swamee-Jain), by hand."""
    assert darcy_head_m(Pipe(1.610 * INCH, 100 * FOOT), 40 * GPM) / FOOT == pytest.approx(8.98, abs=0.05)


def test_water_power_and_operating_point() -> None:
    """13.94 ft at 40 gpm: 105.0 W. Where curve and pipe meet, both give the same head."""
    assert water_power_w(40 * GPM, 13.94 * FOOT) == pytest.approx(105.0, abs=0.2)
    pipe = Pipe(1.610 * INCH, 8.0)
    flow, head = operating_point(2.6, 6.5, 150.0, pipe)
    most = 150.0 / math.sqrt(1 - 2.6 / 6.5)
    assert head == pytest.approx(2.6 + friction_head_m(pipe, flow))
    assert head == pytest.approx(6.5 * (1 - (flow / most) ** 2))


def test_the_pipe_moves_the_draw() -> None:
    pump = Pump(
        rated_voltage_v=120, rated_current_a=(4.7, 9.4), static_head_m=2.4, maximum_head_m=7, rated_flow_l_per_min=150
    )
    free, throttled = running_draw(pump, None), running_draw(pump, None, Pipe(0.032, 15))
    assert throttled.head_m is not None
    assert throttled.head_m > 2.4
    assert throttled.va.mid < free.va.mid


def test_sun_through_a_day_against_another_clear_sky_model() -> None:
    """A flat 200 W panel at 41.9 N in June: pvlib's simplified Solis model says much the same."""
    start = pd.Timestamp("2026-06-21T00:00:00Z")
    times = pd.date_range(start, periods=97, freq="15min")
    height = solarposition.get_solarposition(times, 41.9, -87.7)["apparent_elevation"]
    light = clearsky.simplified_solis(height)["ghi"].to_numpy()
    ours = clear_sky_w_per_m2(times.as_unit("ms").asi8.astype(np.float64), 41.9, -87.7)
    assert ours.sum() == pytest.approx(light.sum(), rel=0.1)
    assert float(ours[(height < -1).to_numpy()].max()) == 0.0
    day = charging_wh(41.9, -87.7, int(start.timestamp() * 1000), np.array([0.0, 86_400.0]), 200, 1.0)
    assert day[0] == 0
    assert day[1] == pytest.approx(np.trapezoid(ours, dx=0.25) * 200 * 0.8 / 1000, rel=0.001)
    assert 1000 < day[1] < 1500  # 6 to 9 full-sun hours in midsummer, common practice


def test_options_change_the_hours_as_they_should() -> None:
    pump = Pump(rated_voltage_v=115, rated_power_w=480, rated_current_a=(5.2, 5.2))
    pack = Pack(1024, 900, 1800, charge_w=300, idle_w=12)
    site = Site("s", "s", "UTC", pump, pack, latitude=41.9, longitude=-87.7)
    noon = int(pd.Timestamp("2026-06-21T17:00:00Z").timestamp() * 1000)
    change = Change(extra_wh=1024, idle_w=4, sun_w=200, sky=1.0, generator_h=2, start_ms=noon)
    sizing = size(site, Question(20, 10, for_hours=24, probability=0.9), change)
    base = sizing.hours_remaining.p50
    assert base is not None
    doubled, quieter, sunny, generator = (w.hours.p50 or 1e9 for w in sizing.what_ifs)
    assert doubled == pytest.approx(2 * base, rel=1e-6)
    assert quieter > base
    assert sunny > base
    # 2 h on the generator, and 300 W x 2 h x 0.9 put in meanwhile, which last as long as the same energy lasted before
    assert generator == pytest.approx(base + 2 + 0.9 * 300 * 2 / (step(sizing, "usable energy") / base), rel=0.03)
    assert sizing.need is not None
    assert not sizing.need.enough
    grown = Site("s", "s", "UTC", pump, Pack(sizing.need.capacity_wh, 900, 1800, idle_w=12))
    lasting = size(grown, Question(20, 10)).hours_remaining.p10
    assert lasting == pytest.approx(24, rel=0.01)  # the 10 % point, as 90 % was asked for


def test_packs_side_by_side_with_price() -> None:
    pump = Pump(rated_voltage_v=115, rated_power_w=480, rated_current_a=(5.2, 5.2), locked_rotor_current_a=25)
    site = Site("s", "s", "UTC", pump, Pack(1024, 900, 1800, price=500))
    bigger = Pack(2048, 2400, 4800, surge_s=5, price=1100)
    sizing = size(site, Question(20, 10), None, [("bigger", bigger), ("no price", Pack(1024, 900))])
    here, there, unpriced = sizing.packs
    assert here.price_per_hour == pytest.approx(500 / (here.hours.p50 or 1))
    assert there.can_start.answer == "yes"
    assert (there.hours.p50 or 0) > 1.9 * (here.hours.p50 or 0)
    assert unpriced.price_per_hour is None


def test_seasons_and_record() -> None:
    pump = Pump(rated_voltage_v=115, rated_power_w=480, rated_current_a=(5.2, 5.2))
    site = Site("s", "s", "UTC", pump, Pack(1024, 900, 1800))
    record = InflowRecord(dry_w=5, usual_w=20, wettest_day_w=120, wettest_hour_w=900, days=200)
    sizing = size(site, Question(20, 10, record=record))
    hours = [season.hours.p50 or 0.0 for season in sizing.seasons]
    assert hours[:3] == sorted(hours[:3], reverse=True)
    assert hours[3:] == sorted(hours[3:], reverse=True)
    assert sizing.seasons[-1].duty == 1.0  # more than the pump can do is a pump that never stops
    assert hours[1] == pytest.approx(sizing.hours_remaining.p50 or 0.0)


def test_loads_together_without_a_pump() -> None:
    """Refrigerator, freezer and router: mean power is what the duty makes of it."""
    loads = (Load("refrigerator", 150, 1.5, 1200, 900), Load("freezer", 120, 1.5, 1200, 800), Load("router", 12))
    pack = Pack(2048, 1800, 3600, surge_s=5, inverter_efficiency=0.9, idle_w=10)
    sizing = size(Site("s", "s", "UTC", Pump(), pack, loads=loads), Question(pump=False))
    assert sizing.can_run.answer == "yes"
    assert sizing.can_start.answer == "yes"
    mean = 0.5 * 150 + 0.5 * 120 + 12
    capacity = step(sizing, "capacity believed")
    assert sizing.hours_remaining.p50 == pytest.approx(capacity * 0.9 / (mean / 0.9 + 10), rel=0.02)
    assert sizing.simple_estimate_h is None
