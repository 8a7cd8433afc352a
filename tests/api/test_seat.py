"""When a forecast is due: at once where the supply changed, in time everywhere; which ones are kept for later."""

from __future__ import annotations

import pytest

from api.seat import EASE_MS, PAST_MS, PAST_ON_MAINS_MS, REFRESH_MS, Seat
from forecaster.alarms import AlarmDesk
from forecaster.domain.quantities import Quantity
from forecaster.domain.readings import Reading
from forecaster.engine import Engine
from forecaster.twin.live import larkspur_site
from tests.story import NOW_MS

LIMIT_MS = 60_000
"""No forecast is to be older than this."""


@pytest.fixture
def seat() -> Seat:
    site = larkspur_site()
    made = Seat(site, Engine(site), AlarmDesk(site))
    hear(made, Quantity.MAINS_PRESENT, 1.0, NOW_MS)
    hear(made, Quantity.PACK_CHARGE, 100.0, NOW_MS)
    made.tell(NOW_MS, 0.0)
    return made


def hear(seat: Seat, quantity: Quantity, value: float, at_ms: int) -> None:
    seat.take(Reading(seat.site.id, quantity, at_ms, value, at_ms))


def test_a_lost_supply_makes_a_forecast_due_at_once_however_many_sites_there_are(seat: Seat) -> None:
    seat.ease_ms = REFRESH_MS
    assert not seat.due(NOW_MS + 1_000, 1.0)
    hear(seat, Quantity.MAINS_PRESENT, 0.0, NOW_MS + 1_000)
    assert seat.due(NOW_MS + 1_000, 1.0)
    assert seat.urgency(NOW_MS + 1_000) > REFRESH_MS


def test_a_new_charge_is_told_at_once_by_a_forecaster_of_few_sites_and_eased_by_one_of_many(seat: Seat) -> None:
    hear(seat, Quantity.PACK_CHARGE, 99.0, NOW_MS + 1_000)
    assert seat.due(NOW_MS + 1_000, 1.0)
    seat.ease_ms = EASE_MS * 500
    assert not seat.due(NOW_MS + 1_000, 1.0)
    assert seat.due(NOW_MS + EASE_MS * 500, 10.0)


@pytest.mark.parametrize("sites", [1, 100, 10_000])
def test_a_forecast_is_due_well_before_it_is_too_old(seat: Seat, sites: int) -> None:
    seat.ease_ms = min(REFRESH_MS, EASE_MS * sites)
    assert seat.due(NOW_MS + round(0.75 * LIMIT_MS), 45.0)
    assert not seat.due(NOW_MS + REFRESH_MS - 1_000, 29.0)


def test_a_clock_that_stepped_back_makes_one_due(seat: Seat) -> None:
    assert seat.due(NOW_MS - LIMIT_MS, 1.0)


def test_past_forecasts_are_kept_now_and_then_and_where_the_supply_changed(seat: Seat) -> None:
    kept = [
        seat.tell(NOW_MS + at_ms, at_ms / 1000.0).stored.past
        for at_ms in (30_000, 60_000, PAST_ON_MAINS_MS, PAST_ON_MAINS_MS + 30_000)
    ]
    assert kept == [False, False, True, False]
    out_ms = NOW_MS + PAST_ON_MAINS_MS + 60_000
    for after_ms in range(0, 200_000, 10_000):
        hear(seat, Quantity.MAINS_PRESENT, 0.0, out_ms + after_ms)
    told = [seat.tell(out_ms + 200_000 + after_ms, 900.0 + after_ms / 1000.0) for after_ms in (0, 30_000, PAST_MS)]
    assert [t.forecast.supply.value for t in told] == ["pack"] * 3
    assert [t.stored.past for t in told] == [True, False, True]


def test_models_are_tuned_daily_on_mains_and_hourly_on_the_pack(seat: Seat) -> None:
    """The one that is most overdue goes first: an outage of an hour before a day on mains that is not over."""
    hour_ms = 3_600_000
    assert not seat.refit_if_due(NOW_MS)
    assert not seat.refit_if_due(NOW_MS + 23 * hour_ms)
    assert seat.engine.untuned(NOW_MS + 23 * hour_ms) == pytest.approx(23 / 24)
    assert seat.refit_if_due(NOW_MS + 24 * hour_ms)
    out_ms = NOW_MS + 24 * hour_ms + 60_000
    for after_ms in range(0, 200_000, 10_000):
        hear(seat, Quantity.MAINS_PRESENT, 0.0, out_ms + after_ms)
    assert not seat.refit_if_due(out_ms + 200_000)
    assert seat.engine.untuned(out_ms + hour_ms) > 1.0
    assert seat.refit_if_due(out_ms + hour_ms)
    assert not seat.refit_if_due(out_ms + hour_ms + 60_000)
