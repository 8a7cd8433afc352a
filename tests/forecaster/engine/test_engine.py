"""The engine: an answer from the first minute, the same answer whatever the order of arrival, and from a snapshot."""

from __future__ import annotations

import random

import pytest

from forecaster.domain.errors import SnapshotError
from forecaster.domain.forecast import Basis
from forecaster.domain.quantities import Quantity
from forecaster.domain.readings import Reading
from forecaster.domain.runs import Outage, Run, Supply, Transfer
from forecaster.domain.site import Channel, Pack, Pit, Pump, Site
from forecaster.engine import Engine
from forecaster.engine.document import document

START = 1_772_500_000_000
HOUR = 3_600_000
SITE = Site(
    id="larkspur",
    name="Larkspur Lane cellar",
    timezone="America/Chicago",
    pump=Pump(rated_voltage_v=115.0, rated_power_w=480.0),
    pit=Pit(area_m2=0.166, drawdown_m=0.18, freeboard_m=0.30),
    pack=Pack(capacity_wh=1024.0, continuous_w=900.0, reserve_percent=10.0, inverter_efficiency=0.88, idle_w=9.0),
    channels=tuple(
        Channel(quantity, f"cellar/{quantity.value}")
        for quantity in (Quantity.PUMP_POWER, Quantity.PACK_CHARGE, Quantity.MAINS_PRESENT)
    ),
)


def readings(hours: float, *, cut_h: float | None = None, every_s: int = 5, cycle_s: int = 180) -> list[Reading]:
    """A pump of 480 W that runs 10 s of every cycle, mains until cut_h, a pack that drains at 40 W from then."""
    found: list[Reading] = []
    for second in range(0, int(hours * 3600), every_s):
        at = START + second * 1000
        on = second % cycle_s < 10
        found.append(Reading(SITE.id, Quantity.PUMP_POWER, at, 480.0 if on else 1.0, at + 300))
        if second % 30 == 0:
            cut = cut_h is not None and second >= cut_h * 3600
            since_h = second / 3600 - cut_h if cut and cut_h is not None else 0.0
            charge = float(round(100.0 - since_h * 40.0 / 1024.0 * 100.0))
            found.append(Reading(SITE.id, Quantity.PACK_CHARGE, at, charge, at + 300))
            found.append(Reading(SITE.id, Quantity.MAINS_PRESENT, at, 0.0 if cut else 1.0, at + 300))
    return found


def folded(items: list[Reading]) -> Engine:
    engine = Engine(SITE)
    for reading in items:
        engine.update(reading)
    return engine


def test_an_answer_before_anything_is_heard() -> None:
    forecast = Engine(SITE).forecast(START)
    assert forecast.basis is Basis.SPECIFICATION
    assert forecast.supply is Supply.MAINS
    assert forecast.supply_inferred
    assert forecast.data_age_s is None
    assert forecast.hours_remaining.p10 is not None
    assert forecast.hours_remaining.p50 is not None
    assert forecast.hours_remaining.p50 > 1.5 * forecast.hours_remaining.p10, "wide"


def test_runs_transfer_and_outage_are_told_once() -> None:
    engine = folded(readings(3.0, cut_h=1.0))
    events = engine.events()
    runs = [event for event in events if isinstance(event, Run)]
    assert len(runs) in (59, 60)
    assert all(run.measured for run in runs[1:])
    assert sum(run.run_s for run in runs) / len(runs) == pytest.approx(10.0, rel=0.02)
    transfers = [event for event in events if isinstance(event, Transfer)]
    assert [(t.at_ms, t.to, t.inferred) for t in transfers] == [(START + HOUR, Supply.PACK, False)]
    outages = [event for event in events if isinstance(event, Outage)]
    assert [(o.start_ms, o.end_ms, o.start_charge_percent) for o in outages] == [(START + HOUR, None, 100.0)]
    assert engine.events() == []


def test_on_the_pack_the_forecast_is_measured_and_near_the_truth() -> None:
    forecast = folded(readings(5.0, cut_h=1.0)).forecast(START + 5 * HOUR)
    assert forecast.basis is Basis.MEASURED
    assert forecast.supply is Supply.PACK
    assert not forecast.supply_inferred
    assert forecast.cycles_per_hour == pytest.approx(20.0, rel=0.03)
    assert forecast.run_s == pytest.approx(10.0, rel=0.02)
    assert forecast.duty == pytest.approx(10.0 / 180.0, rel=0.05)
    charge = 100.0 - 4.0 * 40.0 / 10.24
    true_h = (charge - 10.0) / 100.0 * 1024.0 / 40.0
    low, high = forecast.hours_remaining.p05, forecast.hours_remaining.p95
    assert low is not None
    assert high is not None
    assert low < true_h < high


def test_order_of_arrival_within_a_minute_and_repeats_do_not_matter() -> None:
    items = readings(3.0, cut_h=1.0)
    now = START + 3 * HOUR
    straight = document(folded(items).forecast(now))
    shuffler = random.Random(5)
    minutes: dict[int, list[Reading]] = {}
    for reading in items:
        minutes.setdefault(reading.time_ms // 60_000, []).append(reading)
    shuffled = []
    for minute in sorted(minutes):
        block = minutes[minute] + shuffler.sample(minutes[minute], 3)
        shuffler.shuffle(block)
        shuffled += block
    assert document(folded(shuffled).forecast(now)) == straight
    assert document(folded([*items, *items[-500:]]).forecast(now)) == straight


@pytest.mark.parametrize("share", [0.0, 0.21, 0.5, 0.77, 0.999])
def test_cut_anywhere_and_resumed_the_forecast_is_the_same(share: float) -> None:
    items = readings(3.0, cut_h=1.0)
    now = START + 3 * HOUR
    cut = int(share * len(items))
    engine = Engine.restore(SITE, folded(items[:cut]).snapshot())
    for reading in items[cut:]:
        engine.update(reading)
    whole = folded(items)
    assert engine.forecast(now) == whole.forecast(now)
    assert engine.status(now) == whole.status(now)
    assert engine.events() == whole.events()


def test_asking_changes_nothing() -> None:
    items = readings(2.0, cut_h=1.0)
    asked, quiet = Engine(SITE), Engine(SITE)
    for index, reading in enumerate(items):
        asked.update(reading)
        quiet.update(reading)
        if index % 200 == 0:
            asked.forecast(reading.time_ms)
            asked.status(reading.time_ms)
    assert asked.snapshot() == quiet.snapshot()


def test_silence_makes_it_projected_and_wider_with_age() -> None:
    engine = folded(readings(4.0, cut_h=1.0))
    shares = []
    for hours in (0.1, 1.0, 3.0):
        forecast = engine.forecast(START + 4 * HOUR + int(hours * HOUR))
        assert forecast.basis is Basis.PROJECTED
        assert "telemetry silent" in forecast.degraded
        low, middle, high = (forecast.hours_remaining.p10, forecast.hours_remaining.p50, forecast.hours_remaining.p90)
        assert low is not None
        assert middle is not None
        assert high is not None
        shares.append((high - low) / middle)
    assert shares == sorted(shares)
    assert shares[0] < shares[-1]


def test_a_damaged_or_foreign_snapshot_is_refused_in_one_line() -> None:
    snapshot = Engine(SITE).snapshot()
    with pytest.raises(SnapshotError, match="cannot be read"):
        Engine.restore(SITE, snapshot[:-5])
    with pytest.raises(SnapshotError, match="version 99"):
        Engine.restore(SITE, snapshot.replace(b'"version":1,"site"', b'"version":99,"site"', 1))
    with pytest.raises(SnapshotError, match="of site"):
        Engine.restore(SITE, snapshot.replace(b'"version":1,"site":"larkspur"', b'"version":1,"site":"other"', 1))
