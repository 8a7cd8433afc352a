"""Simulated site-trips: what is told comes true about as often, and the simulation itself answers as it must."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.forecaster.trip.expected import expected, luck
from tests.forecaster.trip.picture import diagram, rows_of
from tests.forecaster.trip.scored import SiteTrip, brier, compared, lived, reliability, tables
from tests.forecaster.trip.world import CHANGED, Chances, TrueHouse, chances, drawn_house, gets_wet, water


def _luck(outages: list[tuple[int, float]]) -> Chances:
    return Chances(outages, np.ones(len(outages) + 1), 1e9, 1e9, 1.0, np.ones(8), 1.0, 1.0)


@pytest.fixture
def house() -> TrueHouse:
    """A pack of 900 Wh, 40 W at rest and 545 W while the pump runs a tenth of the time: 9.5 h; then 10 min to fill."""
    drawn = drawn_house(np.random.default_rng(1))
    return replace(drawn, wh=900.0, base_w=40.0, pump_w=545.0, freeboard_min=1.0, pack_at_once=0.0, pack_decays=0.0)


@pytest.mark.parametrize(("hours", "wet"), [(9.0, False), (9.5, False), (9.6, False), (9.75, True), (40.0, True)])
def test_an_outage_wets_the_floor_when_pack_and_freeboard_are_used_up(
    house: TrueHouse, hours: float, wet: bool
) -> None:
    assert gets_wet(house, np.full(96, 0.1), _luck([(5, hours)])) is wet


def test_water_wets_it_when_an_hour_brings_more_than_pump_and_freeboard(house: TrueHouse) -> None:
    share = np.full(96, 0.1)
    share[50] = 1.0 + 1.1 / 60.0
    assert gets_wet(house, share, _luck([]))
    assert not gets_wet(replace(house, pumps=2), share, _luck([]))
    assert not gets_wet(house, np.minimum(share, 1.01), _luck([]))


def test_on_the_same_luck_no_change_for_the_better_wets_a_floor() -> None:
    for seed in range(60):
        rng = np.random.default_rng(seed)
        drawn = replace(drawn_house(rng), pump_dies=4.0, outages=20.0)
        share = water(drawn, 24 * 60, 20_000.0, rng)
        luck = chances(drawn, share, rng)
        for change in CHANGED.values():
            assert gets_wet(drawn, share, luck) >= gets_wet(change(drawn), share, luck)


def test_what_is_to_be_expected_is_what_comes_in_the_mean(house: TrueHouse) -> None:
    """A house with somebody near, frail enough that wet floors can be counted: 400 futures against 40 reckoned."""
    frail = replace(house, outages=8.0, pump_dies=0.3, pack_at_once=0.1, heard=0.8, there=0.7, reach_h=(2.0,), wh=300.0)
    rng = np.random.default_rng(4)
    share = np.full(24 * 30, 0.1)
    for tried in (frail, replace(frail, generator=True)):
        wet = np.mean([gets_wet(tried, share, chances(tried, share, rng)) for _ in range(400)])
        to_come = np.mean([sum(expected(tried, share, luck(tried, share, rng)).values()) for _ in range(40)])
        assert wet == pytest.approx(-np.expm1(-to_come), abs=3.5 * np.sqrt(wet * (1.0 - wet) / 400))


def test_the_diagram_reads_the_tables_as_they_are_printed() -> None:
    """Two trips in one part, one wet: told 2 %, half came, 3 % to be expected."""
    trips = [SiteTrip(0.02, 0.01, 0.03, wet, {"pump": (0.02, -np.log1p(-0.03))}, {}) for wet in (0.0, 1.0)]
    came, expected_rows = rows_of(tables(trips, parts=1))
    assert came == [(0.02, 0.5, 0.5)]
    assert expected_rows == [(0.02, 0.03, 0.0)]
    assert diagram(came, expected_rows).count("<circle") == 2


@pytest.mark.long
@pytest.mark.timeout(3600)
def test_helps_do_about_as_much_as_is_told() -> None:
    """100 trips: a neighbour and a generator within four standard errors, and a third, of what was to be expected."""
    trips = [lived(75_000 + number, 1, ["neighbour", "generator"]) for number in range(100)]
    for _, count, told, true, error in compared([trip.helped for trip in trips]):
        assert count >= 30
        assert abs(told - true) <= 4.0 * error + 0.3 * true


@pytest.mark.long
@pytest.mark.timeout(3600)
def test_chances_come_true_as_often_as_they_are_told() -> None:
    """400 trips: better than the base rate, and no eighth of them off by more than four standard errors and a point."""
    trips = [lived(70_000 + number, 4) for number in range(400)]
    told, base = brier(trips)
    assert told < base
    for count, said, wet, error in reliability(trips):
        assert count >= 40
        assert abs(wet - said) <= 4.0 * error + 0.01 + 0.3 * said
