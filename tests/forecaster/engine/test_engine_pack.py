"""The pack in the engine: no charge reported, a partial charge, a second outage, sun, other loads, filling up again."""

from __future__ import annotations

from dataclasses import replace

import pytest

from forecaster.domain.forecast import Forecast
from forecaster.domain.quantities import Quantity
from forecaster.domain.readings import Reading
from forecaster.domain.runs import Outage, Supply
from forecaster.domain.site import Load, Pack, Site
from forecaster.engine import Engine
from forecaster.pack.chargeline import COST
from tests.forecaster.cellar import HOUR, START, charges, in_order, mains, pumping, reading, sampled, site

PUMP_W = 480.0 * 10.0 / 180.0
DRAIN_W = PUMP_W / 0.88 + 9.0
PERCENT_PER_H = 100.0 * DRAIN_W / (1024.0 * 0.94)
MEASURED = (Quantity.PUMP_POWER, Quantity.PACK_CHARGE, Quantity.MAINS_PRESENT)


def folded(at: Site, *streams: list[Reading]) -> Engine:
    engine = Engine(at)
    for item in in_order(*streams):
        engine.update(item)
    return engine


def pump(hours: float) -> list[Reading]:
    return list(sampled(pumping(hours), hours, 5.0))


def p50(forecast: Forecast) -> float:
    assert forecast.hours_remaining.p50 is not None
    return forecast.hours_remaining.p50


def test_with_no_charge_reported_the_pack_is_counted_down_from_full() -> None:
    at = site(Quantity.PUMP_POWER, Quantity.MAINS_PRESENT)
    streams = pump(9.0), list(mains(9.0, [(1.0, 99.0)]))
    engine = folded(at, *streams)
    forecast = engine.forecast(START + 9 * HOUR)
    assert forecast.supply is Supply.PACK
    assert "charge not measured: counted down" in forecast.degraded
    assert forecast.charge_percent == pytest.approx(100.0 - 8.0 * PERCENT_PER_H, abs=6.0)
    full_h = 90.0 / PERCENT_PER_H
    assert p50(forecast) == pytest.approx(full_h - 8.0, rel=0.15)


@pytest.mark.parametrize("late_s", [0.0, 45.0])
def test_what_the_mains_last_gave_is_no_sun(late_s: float) -> None:
    """The mains give 300 W until 08:06 by the local clock, told once a minute; a device that averages tells of them
    once more. By hand: nothing goes into the pack, so a site with that channel has the hours of one without it.
    """
    begins_h, until_h = 13.0, 13.5
    gone_s = begins_h * 3600.0 + late_s
    told = [
        reading(Quantity.PACK_INPUT_POWER, float(at), 300.0 if at < gone_s else 0.0)
        for at in range(10, round(until_h * 3600.0), 60)
    ]
    charge = list(charges(until_h, [(0.0, 100.0), (begins_h, 100.0), (until_h, 100.0 - 0.5 * PERCENT_PER_H)]))
    streams = pump(until_h), charge, list(mains(until_h, [(begins_h, 99.0)]))
    with_input, pump_only = (
        replace(site(*MEASURED, *more), latitude=41.9, longitude=-87.7) for more in ((Quantity.PACK_INPUT_POWER,), ())
    )
    measured, without = folded(with_input, *streams, told), folded(pump_only, *streams)
    found = measured.forecast(START + round(until_h * HOUR))
    assert found.draw is not None
    assert found.draw.charging_w == 0.0
    assert p50(found) == pytest.approx(p50(without.forecast(START + round(until_h * HOUR))), rel=1e-6)


def test_with_no_charge_reported_a_second_outage_starts_from_what_the_mains_put_back() -> None:
    at = site(Quantity.PUMP_POWER, Quantity.MAINS_PRESENT)
    engine = folded(at, pump(13.0), list(mains(13.0, [(1.0, 11.0), (11.5, 99.0)])))
    again = engine.forecast(START + 13 * HOUR)
    assert again.charge_percent is not None
    left = 100.0 - 10.0 * PERCENT_PER_H
    assert left - 5.0 < again.charge_percent < 70.0, "half an hour of mains does not fill it"
    assert p50(again) < 0.8 * 90.0 / PERCENT_PER_H


def test_a_partial_charge_at_transfer_and_a_second_outage_soon_after_are_normal() -> None:
    points = [(0.0, 60.0), (1.0, 60.0), (3.0, 60.0 - 2 * PERCENT_PER_H), (3.5, 56.0), (6.0, 56.0 - 2.5 * PERCENT_PER_H)]
    engine = folded(site(*MEASURED), pump(6.0), list(charges(6.0, points)), list(mains(6.0, [(1.0, 3.0), (3.5, 99.0)])))
    forecast = engine.forecast(START + 6 * HOUR)
    true_h = (56.0 - 2.5 * PERCENT_PER_H - 10.0) / PERCENT_PER_H
    assert p50(forecast) == pytest.approx(true_h, rel=0.08)
    outages = {event.start_ms: event for event in engine.events() if isinstance(event, Outage)}
    first, second = (outages[START + round(hour * HOUR)] for hour in (1.0, 3.5))
    assert first.end_ms == START + 3 * HOUR
    assert first.start_charge_percent == 60.0
    assert first.lowest_charge_percent == pytest.approx(60.0 - 2 * PERCENT_PER_H, abs=1.0)
    assert first.forecast_h is not None
    assert (second.end_ms, second.start_charge_percent, second.lowest_charge_percent) == (None, 56.0, None)
    assert first.energy_used_wh == pytest.approx(2.0 * PUMP_W, rel=0.05)
    assert second.end_ms is None


def test_the_reserve_floor_is_marked_when_it_is_reached() -> None:
    points = [(0.0, 100.0), (1.0, 100.0), (4.0, 4.0), (4.5, 4.0)]
    engine = folded(site(*MEASURED), pump(5.0), list(charges(4.5, points)), list(mains(5.0, [(1.0, 4.8)])))
    ended = [event for event in engine.events() if isinstance(event, Outage) and event.end_ms is not None]
    assert ended[0].reached_reserve_ms == pytest.approx(START + round((1.0 + 89.5 / 96.0 * 3.0) * HOUR), abs=60_000)


def test_on_mains_it_answers_if_the_mains_failed_now_and_says_when_it_is_full() -> None:
    engine = folded(site(*MEASURED), pump(3.0), list(charges(3.0, [(0.0, 40.0), (3.0, 70.0)])), list(mains(3.0, [])))
    forecast = engine.forecast(START + 3 * HOUR)
    assert forecast.supply is Supply.MAINS
    assert p50(forecast) == pytest.approx(60.0 / PERCENT_PER_H, rel=0.15)
    assert forecast.full_at_ms == pytest.approx(START + 6 * HOUR, abs=HOUR // 2)


def test_sun_on_the_pack_lengthens_it_to_never() -> None:
    at = site(*MEASURED, Quantity.PACK_INPUT_POWER)
    dark = folded(at, pump(4.0), list(charges(4.0, [(0.0, 80.0), (4.0, 70.0)])), list(mains(4.0, [(0.0, 99.0)])))
    sun = [reading(Quantity.PACK_INPUT_POWER, second, 70.0) for second in range(0, 4 * 3600, 30)]
    lit = folded(at, pump(4.0), list(charges(4.0, [(0.0, 80.0), (4.0, 90.0)])), list(mains(4.0, [(0.0, 99.0)])), sun)
    before, after = dark.forecast(START + 4 * HOUR), lit.forecast(START + 4 * HOUR)
    assert before.never_probability < 0.1
    assert after.never_probability > 0.4
    assert after.draw is not None
    assert after.draw.charging_w == pytest.approx(70.0, abs=1.0)


def test_a_measured_load_counts_as_measured_and_shortens_it() -> None:
    pack = Pack(capacity_wh=1024.0, inverter_efficiency=0.88, idle_w=9.0)
    at = site(*MEASURED, Quantity.LOAD_POWER, loads=(Load("router", 12.0),), pack=pack)
    heavy = [reading(Quantity.LOAD_POWER, second, 40.0, "router") for second in range(0, 2 * 3600, 30)]
    streams = pump(2.0), list(charges(2.0, [(0.0, 100.0), (2.0, 100.0)])), list(mains(2.0, []))
    listed, measured = folded(at, *streams), folded(at, *streams, heavy)
    assert measured.forecast(START + 2 * HOUR).draw is not None
    parts = measured.forecast(START + 2 * HOUR).draw
    assert parts is not None
    assert parts.loads_w == pytest.approx(40.0 / 0.88, rel=0.05)
    assert p50(measured.forecast(START + 2 * HOUR)) < p50(listed.forecast(START + 2 * HOUR))


@pytest.mark.parametrize("percent", [95.0, 60.0, 30.0])
def test_quantiles_never_cross_and_survival_never_rises(percent: float) -> None:
    engine = folded(
        site(*MEASURED), pump(2.0), list(charges(2.0, [(0.0, percent), (2.0, percent)])), list(mains(2.0, []))
    )
    forecast = engine.forecast(START + 2 * HOUR)
    for quantiles in (forecast.hours_remaining, forecast.hours_to_empty):
        values = [value for value in quantiles.values() if value is not None]
        assert values == sorted(values)
    chances = [point.probability for point in forecast.chances()]
    assert chances == sorted(chances, reverse=True)
    times = [point.at_ms for point in forecast.chances()]
    assert times == sorted(set(times))
    path = forecast.drain_path
    assert all(point.p10 <= point.p50 <= point.p90 for point in path)


def test_water_from_the_drawdown_of_one_cycle() -> None:
    """Qi = V / t_off, Qp = V / t_on + Qi (cycle time T = V/(Qp-Qi) + V/Qi, MIL-HDBK-1005/9A 2.5.3.6)."""
    engine = folded(site(*MEASURED), pump(6.0), list(mains(6.0, [])))
    water = engine.forecast(START + 6 * HOUR).water
    volume = 0.166 * 0.18 * 1000.0
    assert water.inflow_l_per_min == pytest.approx(volume / 170.0 * 60.0, rel=0.03)
    assert water.pump_rate_l_per_min == pytest.approx(volume / 10.0 * 60.0 + volume / 170.0 * 60.0, rel=0.03)
    assert water.minutes_to_floor == pytest.approx(0.30 * 0.166 * 1000.0 / (volume / 170.0 * 60.0), rel=0.03)


@pytest.mark.parametrize(("capacity_wh", "efficiency"), [(2048.0, 0.88), (1024.0, 0.85)])
def test_power_that_sits_at_the_packs_rating_is_allowed_for_again_after_its_plate_was_corrected(
    capacity_wh: float, efficiency: float
) -> None:
    """The outlet shows 300 W of a pump of 480, so the energies are a fifth too low: half of ln(480/300), 0.235."""
    pack = Pack(capacity_wh=1024.0, continuous_w=300.0, inverter_efficiency=0.88, idle_w=9.0)
    plate = replace(pack, capacity_wh=capacity_wh, inverter_efficiency=efficiency)
    house, corrected = (site(*MEASURED, pack=one) for one in (pack, plate))
    told = in_order(sampled(pumping(2.0), 2.0, 2.0, scale=300.0 / 480.0), mains(2.0, [(0.1, 99.0)]))
    engine = Engine.restore(corrected, folded(house, told[: len(told) // 2]).snapshot())
    for item in told[len(told) // 2 :]:
        engine.update(item)
    belief = engine._models.belief
    assert belief.clipped[0] == pytest.approx(0.235, abs=0.01)
    assert belief.mean[COST] == pytest.approx(belief.plate[0][COST] + belief.clipped[0])
