"""A pump that is not heard on the pack: its time is booked as it passes, and late readings count as if in time."""

from __future__ import annotations

from dataclasses import replace

import pytest

from forecaster.domain.forecast import Forecast
from forecaster.domain.quantities import Quantity
from forecaster.domain.readings import Reading
from forecaster.domain.site import Pack
from forecaster.engine import Engine
from forecaster.engine.unheard import LateCourse
from tests.forecaster.cellar import HOUR, START, charges, in_order, mains, pumping, sampled, site

PUMP_W = 480.0 * 10.0 / 180.0
PERCENT_PER_H = 100.0 * (PUMP_W / 0.88 + 9.0) / 512.0
LOST_H, NOW_H = 6.0, 11.0
SITE = site(
    Quantity.PUMP_POWER, Quantity.PACK_CHARGE, Quantity.MAINS_PRESENT,
    pack=Pack(capacity_wh=512.0, continuous_w=900.0, inverter_efficiency=0.88, idle_w=9.0),
)  # fmt: skip
TRUE_H = 90.0 / PERCENT_PER_H - (NOW_H - LOST_H)


def asked(plug: list[Reading], at_h: float = NOW_H) -> tuple[Engine, Forecast]:
    """The engine, and its forecast, of what had arrived by then."""
    points = [(0.0, 100.0), (LOST_H, 100.0), (16.0, 100.0 - 10.0 * PERCENT_PER_H)]
    items = in_order(plug, charges(16.0, points), mains(16.0, [(LOST_H, 99.0)]))
    engine = Engine(SITE)
    for item in items:
        if item.arrived_ms <= START + round(at_h * HOUR):
            engine.update(item)
    return engine, engine.forecast(START + round(at_h * HOUR))


def plug() -> list[Reading]:
    return list(sampled(pumping(16.0), 16.0, 5.0))


def until(at_h: float) -> list[Reading]:
    return [one for one in plug() if one.time_ms < START + at_h * HOUR]


def test_a_plug_that_dies_with_the_mains_leaves_the_slope_of_the_charge_to_lead() -> None:
    engine, forecast = asked(until(LOST_H + 1 / 60))
    hours = forecast.hours_remaining
    assert hours.p50 == pytest.approx(TRUE_H, rel=0.08)
    assert hours.p10 is not None
    assert hours.p90 is not None
    assert hours.p10 < TRUE_H < hours.p90
    assert "pump not heard" in forecast.degraded
    heard = asked(plug())[1].hours_remaining
    assert heard.p10 is not None
    assert heard.p90 is not None
    assert hours.p90 - hours.p10 > heard.p90 - heard.p10
    snapshot = Engine.restore(SITE, engine.snapshot())
    assert snapshot.forecast(START + round(NOW_H * HOUR)) == forecast


def test_what_is_not_heard_is_not_put_down_to_the_pack() -> None:
    """The draw doubles while nobody hears the pump: idle and losses stay what they were believed to be."""
    busy = [(0.0, 100.0), (LOST_H, 100.0), (16.0, 100.0 - 10.0 * 1.8 * PERCENT_PER_H)]
    engine = Engine(SITE)
    for item in in_order(until(LOST_H + 1 / 60), charges(NOW_H - 1.0, busy), mains(NOW_H - 1.0, [(LOST_H, 99.0)])):
        engine.update(item)
    forecast = engine.forecast(START + round((NOW_H - 1.0) * HOUR))
    true_h = 90.0 / (1.8 * PERCENT_PER_H) - 4.0
    assert forecast.hours_remaining.p50 == pytest.approx(true_h, rel=0.12)
    assert forecast.draw is not None
    assert forecast.draw.pack_w < 14.0


def test_a_backlog_of_three_hours_counts_as_if_it_had_come_in_time() -> None:
    held, free = START + round((LOST_H + 1 / 60) * HOUR), START + round((LOST_H + 3.0) * HOUR)
    late = [
        replace(one, arrived_ms=max(one.arrived_ms, free) if one.time_ms > held else one.arrived_ms) for one in plug()
    ]
    silent, in_time = asked(late, LOST_H + 2.9)[1], asked(plug())[1]
    assert "pump not heard" in silent.degraded
    healed = asked(late)[1]
    assert healed.degraded == in_time.degraded
    for one, other in zip(healed.hours_remaining.values(), in_time.hours_remaining.values(), strict=True):
        assert one == pytest.approx(other, rel=0.02)
    assert healed.draw_w == pytest.approx(in_time.draw_w, rel=0.02)


def test_a_late_course_goes_on_from_where_it_was_taken() -> None:
    course = LateCourse()
    for minute in range(5):
        assert course.note(minute * 60_000, 3_600_000, float(minute))
    assert course.take() == [(minute * 60_000, float(minute)) for minute in range(5)]
    assert course.take() == []
    assert course.note(300_000, 3_600_000, 5.0)
    assert course.take() == [(240_000, 4.0), (300_000, 5.0)]
    assert not course.note(3_599_000, 3_600_000, 9.0)


def quiet_after(last_h: float, now_h: float, *quantities: Quantity) -> Forecast:
    """The forecast of a house whose gauge, and what else is named, was last heard some hours into the outage."""
    points = [(0.0, 100.0), (LOST_H, 100.0), (16.0, 100.0 - 10.0 * PERCENT_PER_H)]
    engine = Engine(SITE)
    gone = {Quantity.PACK_CHARGE, *quantities}
    for item in in_order(plug(), charges(16.0, points), mains(16.0, [(LOST_H, 99.0)])):
        hours = (item.arrived_ms - START) / HOUR
        if hours <= (LOST_H + last_h if item.quantity in gone else now_h):
            engine.update(item)
    return engine.forecast(START + round(now_h * HOUR))


@pytest.mark.parametrize("last_h", [-0.05, 1.0, 3.0])
def test_a_gauge_that_falls_silent_on_the_pack_is_counted_on_from_where_it_was_last_read(last_h: float) -> None:
    forecast = quiet_after(last_h, NOW_H)
    assert "charge not heard" in forecast.degraded
    hours = forecast.hours_remaining
    assert hours.p50 == pytest.approx(TRUE_H, rel=0.15)
    assert hours.p10 is not None
    assert hours.p90 is not None
    assert hours.p10 < TRUE_H < hours.p90
    assert forecast.charge_percent == pytest.approx(100.0 - (NOW_H - LOST_H) * PERCENT_PER_H, abs=6.0)


def test_a_house_that_falls_silent_on_the_pack_is_projected_towards_its_end() -> None:
    """What is known last is carried forward: three silent hours are three hours less, and a wider range."""
    silent = (Quantity.PUMP_POWER, Quantity.MAINS_PRESENT)
    soon, later = (quiet_after(2.0, LOST_H + 2.0 + since_h, *silent) for since_h in (0.5, 3.5))
    assert soon.hours_remaining.p50 is not None
    assert later.hours_remaining.p50 is not None
    assert soon.hours_remaining.p50 - later.hours_remaining.p50 == pytest.approx(3.0, abs=0.5)
