"""What the engine observes: normals, overdue runs, a pack that carries nothing, frozen values, ages, the clock."""

from __future__ import annotations

from dataclasses import replace

import pytest

from forecaster.domain.quantities import Quantity
from forecaster.domain.readings import Reading
from forecaster.domain.site import Channel
from forecaster.domain.status import SiteStatus
from forecaster.engine import Engine
from tests.forecaster.cellar import HOUR, START, charges, counted, in_order, mains, pumping, reading, sampled, site

MEASURED = (Quantity.PUMP_POWER, Quantity.PACK_CHARGE, Quantity.MAINS_PRESENT, Quantity.PACK_OUTPUT_POWER)


def seen(*streams: list[Reading], at_h: float) -> SiteStatus:
    engine = Engine(site(*MEASURED, Quantity.PUMP_ENERGY))
    for item in in_order(*streams):
        engine.update(item)
    return engine.status(START + round(at_h * HOUR))


def pump(hours: float, stop_h: float | None = None) -> list[Reading]:
    """The pump's power; from stop_h on it reports 0 W."""
    items = list(sampled(pumping(hours), hours, 5.0))
    if stop_h is None:
        return items
    edge = START + stop_h * HOUR
    return [item if item.time_ms < edge else replace(item, value=0.0) for item in items]


def test_the_normal_is_learnt() -> None:
    status = seen(pump(12.0), list(mains(12.0, [])), at_h=12.0)
    assert status.run_s_normal is not None
    assert status.run_s_normal.p50 == pytest.approx(10.0, abs=0.1)
    assert status.run_s_recent == pytest.approx(10.0, abs=0.1)
    assert status.running_w_normal is not None
    assert status.running_w_normal.p50 == pytest.approx(480.0)
    assert status.cycles_per_hour_normal is not None
    assert status.cycles_per_hour_normal.p50 == pytest.approx(20.0, abs=1.0)
    assert status.cycles_last_hour == pytest.approx(20, abs=1)
    assert status.last_run is not None
    assert not status.silent
    assert status.data_age_s is not None
    assert status.data_age_s < 10.0


@pytest.mark.parametrize(("cycle_s", "slop"), [(180.0, 0.02), (1200.0, 0.05), (600.0, 0.25)])
def test_overdue_follows_the_sites_own_spread_and_no_fixed_time(cycle_s: float, slop: float) -> None:
    hours = 24.0
    truth = pumping(hours, cycle_s=cycle_s, slop=slop)
    engine = Engine(site(Quantity.PUMP_POWER, Quantity.MAINS_PRESENT))
    for item in in_order(sampled(truth, hours, 5.0), mains(hours, [])):
        engine.update(item)
    last_ms = START + round(truth.runs[-1][1] * 1000.0)
    found = []
    for cycles in (0.3, 1.0, 4.0):
        at_ms = last_ms + round(cycles * cycle_s * 1000.0)
        for later in range(START + int(hours * HOUR), at_ms, 5_000):
            engine.update(Reading("larkspur", Quantity.PUMP_POWER, later, 0.0, later))
        found.append(engine.status(at_ms).overdue)
    early, due, late = found
    assert early is not None
    assert due is not None
    assert late is not None
    assert early < 0.12
    assert 0.05 < due < 0.95
    assert late > 0.95


def test_a_silent_plug_is_not_an_overdue_run() -> None:
    status = seen(pump(4.0), list(mains(5.0, [])), list(charges(5.0, [(0.0, 100.0), (5.0, 100.0)])), at_h=5.0)
    assert status.overdue is None
    power = next(age for age in status.ages if age.quantity is Quantity.PUMP_POWER)
    assert power.silent
    assert power.age_s == pytest.approx(3600.0, abs=10.0)
    assert not status.silent, "the pack is heard"


def test_nothing_heard_at_all_is_silent() -> None:
    assert seen(pump(2.0), at_h=3.0).silent
    status = Engine(site(*MEASURED)).status(START)
    assert status.silent
    assert [age.age_s for age in status.ages] == [None] * len(MEASURED)


def test_a_pack_that_sleeps_carries_nothing() -> None:
    output = [reading(Quantity.PACK_OUTPUT_POWER, second, 0.0) for second in range(0, 4 * 3600, 10)]
    charge = list(charges(4.0, [(0.0, 100.0), (4.0, 97.0)]))
    status = seen(pump(4.0, stop_h=2.0), output, charge, list(mains(4.0, [(2.0, 99.0)])), at_h=4.0)
    assert status.pack_carrying is False
    assert status.overdue is not None
    assert status.overdue > 0.95
    running = seen(pump(4.0), charge, list(mains(4.0, [(2.0, 99.0)])), at_h=4.0)
    assert running.pack_carrying is True
    assert running.first_run_on_pack is not None
    assert running.first_run_on_pack.start_ms >= START + 2 * HOUR - 1000
    assert seen(pump(2.0), list(mains(2.0, [])), at_h=2.0).pack_carrying is None


def test_a_charge_that_stands_still_while_it_must_fall_is_frozen() -> None:
    stuck = list(charges(6.0, [(0.0, 90.0), (6.0, 90.0)]))
    assert seen(pump(6.0), stuck, list(mains(6.0, [(1.0, 99.0)])), at_h=6.0).frozen == (Quantity.PACK_CHARGE,)
    falling = list(charges(6.0, [(0.0, 90.0), (1.0, 90.0), (6.0, 70.0)]))
    assert seen(pump(6.0), falling, list(mains(6.0, [(1.0, 99.0)])), at_h=6.0).frozen == ()
    assert seen(pump(6.0), stuck, list(mains(6.0, [])), at_h=6.0).frozen == (), "on mains it may stand"


def test_a_counter_that_stands_still_while_the_pump_runs_is_frozen_and_so_is_a_power_while_the_counter_rises() -> None:
    truth = pumping(6.0)
    counter = list(counted(truth, 6.0, 10.0))
    edge = START + 3 * HOUR
    held = [item for item in counter if item.time_ms < edge][-1].value
    stuck = [item if item.time_ms < edge else replace(item, value=held) for item in counter]
    assert seen(pump(6.0), stuck, list(mains(6.0, [])), at_h=6.0).frozen == (Quantity.PUMP_ENERGY,)
    assert seen(pump(6.0, stop_h=3.0), counter, list(mains(6.0, [])), at_h=6.0).frozen == (Quantity.PUMP_POWER,)
    assert seen(pump(6.0), counter, list(mains(6.0, [])), at_h=6.0).frozen == ()


def test_a_source_whose_clock_runs_ahead_is_told_and_taken_at_its_arrival() -> None:
    engine = Engine(site(*MEASURED))
    for item in pump(2.0):
        engine.update(item)
    at_ms = START + 2 * HOUR
    engine.update(Reading("larkspur", Quantity.PACK_CHARGE, at_ms + 14 * 24 * HOUR, 80.0, at_ms))
    status = engine.status(at_ms + 5_000)
    assert status.clock_suspect is not None
    assert "ahead" in status.clock_suspect
    assert status.charge_percent == 80.0
    assert not status.silent
    assert engine.status(at_ms + 2 * HOUR).clock_suspect is None


def test_our_own_clock_behind_the_newest_reading_is_told() -> None:
    engine = Engine(site(*MEASURED))
    for item in pump(1.0):
        engine.update(item)
    assert "clock here" in (engine.status(START - HOUR).clock_suspect or "")


def test_every_channel_has_an_age_and_the_owners_limit_is_kept() -> None:
    at = replace(site(*MEASURED), channels=(Channel(Quantity.PUMP_POWER, "cellar/plug", max_silence_s=42.0),))
    engine = Engine(at)
    engine.update(reading(Quantity.PUMP_POWER, 0.0, 1.0))
    (age,) = engine.status(START + 41_000).ages
    assert (age.quantity, age.age_s, age.max_silence_s, age.silent) == (Quantity.PUMP_POWER, 41.0, 42.0, False)
    assert engine.status(START + 43_000).ages[0].silent


def test_high_water_is_yes_no_or_unknown() -> None:
    engine = Engine(site(Quantity.PUMP_POWER, Quantity.HIGH_WATER))
    assert engine.status(START).high_water is None
    engine.update(reading(Quantity.HIGH_WATER, 0.0, 1.0))
    assert engine.status(START + HOUR).high_water is True
    engine.update(reading(Quantity.HIGH_WATER, 60.0, 0.0))
    assert engine.status(START + HOUR).high_water is False
