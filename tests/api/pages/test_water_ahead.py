"""The water drawn ahead of now, told from the charge's path."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import pytest

from api.pages.ports import PagePorts
from api.pages.waterahead import water_ahead
from forecaster.domain.forecast import ChargeAhead, DrawParts, Forecast, Water
from forecaster.domain.times import HOUR_MS
from forecaster.twin.live import larkspur_site
from tests.api.pagesample import forecast
from tests.scenario import NOW_MS, services

PUMP_W, OTHERS_W, WH_A_PERCENT, FALLS_H = 60.0, 20.0, 10.0, 6.0


def falling(charging_w: float = 0.0, usable_wh: float | None = 800.0) -> Forecast:
    """A pump's draw that falls by 1/e in 6 h, beside 20 W of other things, from 90 % charge at 10 Wh a percent."""

    def charge(hours: float) -> float:
        drawn = PUMP_W * FALLS_H * (1.0 - math.exp(-hours / FALLS_H)) + OTHERS_W * hours
        return 90.0 - drawn / WH_A_PERCENT

    path = tuple(ChargeAhead(NOW_MS + round(k * 0.25 * HOUR_MS), 0.0, charge(k * 0.25), 100.0) for k in range(60))
    return replace(
        forecast(), charge_percent=90.0, usable_wh=usable_wh, drain_path=path,
        water=Water(12.0, 150.0, 5.0, FALLS_H * math.log(2.0)), draw=DrawParts(PUMP_W, 12.0, 8.0, charging_w),
    )  # fmt: skip


def test_water_falls_as_the_pumps_share_of_the_draw_does() -> None:
    found = water_ahead(falling(), 10.0, NOW_MS + 12 * HOUR_MS)
    assert len(found) > 30
    assert found[0][1] == 12.0
    for at_ms, value in found:
        hours = (at_ms - found[0][0]) / HOUR_MS
        assert value == pytest.approx(12.0 * math.exp(-hours / FALLS_H), rel=1e-3)


@pytest.mark.parametrize(
    "made", [None, falling(charging_w=30.0), falling(usable_wh=None), replace(falling(), draw=None)]
)
def test_nothing_is_drawn_where_the_path_tells_no_water(made: Forecast | None) -> None:
    assert water_ahead(made, 10.0, NOW_MS + 12 * HOUR_MS) == ()


def test_the_engines_water_halves_when_its_model_says(larkspur_folder: Path) -> None:
    """Three hours into the simulated outage; the halving is the water model's own, known apart from the path."""
    held = services(larkspur_folder, {"larkspur": larkspur_site()})
    made = PagePorts(held.installation.sites, held.store, held.ledger, held.clock).forecast("larkspur")
    held.close()
    assert made is not None
    halving_h = made.water.halving_h
    assert halving_h is not None
    found = water_ahead(made, larkspur_site().pack.reserve_percent, NOW_MS + 72 * HOUR_MS)
    then = min(found, key=lambda point: abs(point[0] - NOW_MS - halving_h * HOUR_MS))
    assert then[1] == pytest.approx(found[0][1] / 2.0, rel=0.2)
