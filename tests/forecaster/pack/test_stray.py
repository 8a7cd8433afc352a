"""Gauges that no smooth family holds, and a gauge that shows more than the pack can have."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from forecaster.domain.site import Pack
from forecaster.maths.noise import seeds_of
from forecaster.pack.belief import PackBelief
from forecaster.pack.doubt import _against, nameplate_weight, unaged_weight
from forecaster.pack.draws import PackDraws
from forecaster.pack.slope import by_slope
from forecaster.pack.stray import SCALE_PRIOR, remembered, stray_covariance

PACK = Pack(capacity_wh=1000.0, reserve_percent=10.0, idle_w=9.0, inverter_efficiency=0.88)
CAPACITY, EFFICIENCY, IDLE_W, PUMP_W = 950.0, 0.88, 9.0, 40.0
DRAIN_W = PUMP_W / EFFICIENCY + IDLE_W

SHAPES: dict[str, Callable[[float], float]] = {
    "kinked": lambda x: 2.2 * min(x / 0.45, (1.0 - x) / 0.55),
    "kinked down": lambda x: -2.2 * min(x / 0.6, (1.0 - x) / 0.4),
    "third harmonic": lambda x: 1.5 * np.sin(3.0 * np.pi * x),
    "plateaus": lambda x: 0.8 * np.sin(2.0 * np.pi * 6.0 * x),
}


def steep(x: float) -> float:
    """Six plateaus on which the shown charge all but stands, falls between them."""
    return float(2.6 * np.sin(2.0 * np.pi * 6.0 * x))


def straight(x: float) -> float:
    return 0.0 * x


def shown(x: float, shape: Callable[[float], float]) -> float:
    return 100.0 * x + shape(x)


def discharged(
    shape: Callable[[float], float], to_percent: float, scale: float = 1.0, goes_on_wh: float = 0.0
) -> tuple[PackDraws, float]:
    """Draws after a discharge from full down to a shown charge, and the true energy left to the floor [Wh].

    goes_on_wh : float — drawn while that charge is shown, before the draws [Wh]
    """
    belief = PackBelief(PACK)
    belief.begin(0, 100.0)
    minute, x = 0, 1.0
    while True:
        minute += 1
        hours = minute / 60.0
        x = 1.0 - scale * DRAIN_W * hours / CAPACITY
        percent = float(np.round(shown(x, shape)))
        belief.observe(minute * 60_000, percent, PUMP_W * hours, 3600.0 * hours)
        if percent <= to_percent:
            break
    later = hours + goes_on_wh / DRAIN_W
    belief.observe(round(later * 3_600_000), None, PUMP_W * later, 3600.0 * later)
    grid = np.linspace(0.0, max(x, 0.0), 4000)
    floor = float(grid[np.flatnonzero(np.array([shown(float(one), shape) for one in grid]) <= 10.0).max()])
    return belief.draw(400, seeds_of(1, 1)[0]), (x - floor) * CAPACITY / scale


def holds(draws: PackDraws, true_wh: float, *, at_most: float) -> None:
    """The range has the truth, and the median is at most so many times as much."""
    low, middle, high = np.quantile(draws.to_reserve_wh, [0.1, 0.5, 0.95])
    assert low < true_wh < high
    assert middle < at_most * true_wh


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("to_percent", [60.0, 35.0, 20.0])
def test_a_gauge_of_another_family_widens_the_range_instead_of_fooling_it(shape: str, to_percent: float) -> None:
    draws, left_wh = discharged(SHAPES[shape], to_percent)
    hours = draws.to_reserve_wh / (PUMP_W / draws.efficiency + draws.idle_w)
    low, middle, high = np.quantile(hours, [0.005, 0.5, 0.995])
    assert low < left_wh / DRAIN_W < high
    assert abs(middle - left_wh / DRAIN_W) < max(0.25 * left_wh / DRAIN_W, 0.5)


def test_a_smooth_gauge_earns_its_narrow_range() -> None:
    def width(shape: Callable[[float], float]) -> float:
        draws, _ = discharged(shape, 35.0)
        hours = draws.to_reserve_wh / (PUMP_W / draws.efficiency + draws.idle_w)
        return float(np.quantile(hours, 0.9) - np.quantile(hours, 0.1))

    assert width(lambda x: 4.0 * x * (1.0 - x)) < 0.8 * width(SHAPES["third harmonic"])


def test_the_stray_is_nothing_at_full_and_is_a_covariance() -> None:
    at = np.linspace(0.0, 100.0, 41)
    covariance = stray_covariance(at, at)
    np.testing.assert_allclose(covariance, covariance.T)
    assert np.linalg.eigvalsh(covariance).min() > -1e-9
    assert covariance[-1, -1] == pytest.approx(0.0, abs=1e-12)
    assert remembered(SCALE_PRIOR) == pytest.approx(SCALE_PRIOR)


def test_a_gauge_that_shows_more_than_the_pack_can_hold_is_doubted() -> None:
    draws, _ = discharged(straight, 70.0, scale=0.5875)
    true_wh = CAPACITY * (1.0 - 0.3 / 0.5875 - 0.1)
    assert draws.doubt > 0.5
    holds(draws, true_wh, at_most=1.25)
    assert discharged(straight, 70.0)[0].doubt == 0.0


@pytest.mark.parametrize("to_percent", [60.0, 40.0, 20.0])
def test_a_gauge_that_falls_too_fast_keeps_the_median_and_the_range_reaches_the_truth(to_percent: float) -> None:
    """Half as fast again as the pack: an aged pack would look the same, and the earlier end is the safer one."""
    draws, gauge_wh = discharged(straight, to_percent, scale=1.5)
    true_h = CAPACITY * (1.0 - (1.0 - to_percent / 100.0) / 1.5 - 0.1) / DRAIN_W
    hours = draws.to_reserve_wh / (PUMP_W / draws.efficiency + draws.idle_w)
    low, middle, high = np.quantile(hours, [0.1, 0.5, 0.9])
    assert low < middle < true_h < high
    assert middle == pytest.approx(gauge_wh / DRAIN_W, rel=0.1)


@pytest.mark.parametrize("to_percent", [75.0, 50.0, 25.0])
def test_a_pack_of_half_its_nameplate_is_read_by_its_gauge(to_percent: float) -> None:
    """Its owner wrote the capacity wrongly, say: the gauge alone is right, and no compromise with the nameplate."""
    draws, gauge_wh = discharged(straight, to_percent, scale=2.0)
    hours = draws.to_reserve_wh / (PUMP_W / draws.efficiency + draws.idle_w)
    low, middle = np.quantile(hours, [0.1, 0.5])
    assert low < gauge_wh / DRAIN_W
    assert middle == pytest.approx(gauge_wh / DRAIN_W, rel=0.12)


def test_a_gauge_that_stands_still_at_the_top_is_doubted_by_what_is_used() -> None:
    """It shows 98 %, from 98.5 % on, when half is used: less than a twentieth gone, yet no pack is so large."""
    draws, _ = discharged(straight, 98.0, scale=0.03)
    true_wh = CAPACITY * (1.0 - 0.015 / 0.03 - 0.1)
    assert draws.doubt > 0.8
    holds(draws, true_wh, at_most=1.3)


@pytest.mark.parametrize(("start", "per_h"), [(50.0, 0.0), (50.0, 3.0), (90.0, 1.0)])
def test_a_gauge_that_stands_or_rises_while_a_third_is_used_is_doubted(start: float, per_h: float) -> None:
    belief = PackBelief(PACK)
    belief.begin(0, start)
    for minute in range(1, round(0.3 * CAPACITY / DRAIN_W * 60.0) + 1):
        hours = minute / 60.0
        belief.observe(minute * 60_000, start + round(per_h * hours), PUMP_W * hours, 3600.0 * hours)
    draws = belief.draw(400, seeds_of(1, 1)[0])
    low, high = np.quantile(draws.to_reserve_wh, [0.1, 0.9])
    assert draws.doubt > 0.5
    assert low < CAPACITY * (start / 100.0 - 0.3 - 0.1) < high


def test_a_gauge_that_stops_on_the_way_was_right_until_then() -> None:
    """It stands at 80 % while the pack goes on to a half: neither it nor the nameplate has the floor much later."""
    belief = PackBelief(PACK)
    belief.begin(0, 100.0)
    for minute in range(1, round(0.5 * CAPACITY / DRAIN_W * 60.0) + 1):
        hours = minute / 60.0
        percent = max(float(np.round(100.0 * (1.0 - DRAIN_W * hours / CAPACITY))), 80.0)
        belief.observe(minute * 60_000, percent, PUMP_W * hours, 3600.0 * hours)
    draws = belief.draw(400, seeds_of(1, 1)[0])
    low, middle, high = np.quantile(draws.to_reserve_wh, [0.1, 0.5, 0.9])
    true_wh = 0.4 * CAPACITY
    assert low < true_wh < high
    assert middle == pytest.approx(true_wh, rel=0.15)
    assert high < 1.5 * true_wh


def test_a_pack_that_goes_on_after_its_gauge_showed_it_empty_is_reckoned_from_the_nameplate() -> None:
    draws, _ = discharged(straight, 0.0, scale=1.5, goes_on_wh=0.1 * CAPACITY)
    assert draws.doubt > 0.8
    assert np.median(draws.to_reserve_wh) > 0.0


def test_doubt_rises_with_the_conflict_and_never_silences_the_gauge() -> None:
    weights = [nameplate_weight(deviations) for deviations in np.linspace(-5.0, 12.0, 60)]
    assert weights == sorted(weights)
    assert weights[0] == 0.0
    assert 0.9 < weights[-1] < 1.0


def test_before_a_few_per_cent_are_gone_nothing_is_doubted() -> None:
    """Whole per cents: after two of them a pack five times its nameplate may be rounding, after five it is not."""
    assert discharged(straight, 98.0, scale=0.2)[0].doubt == 0.0
    assert discharged(straight, 95.0, scale=0.2)[0].doubt > 0.5


@pytest.mark.parametrize("to_percent", [70.0, 60.0, 50.0, 35.0])
def test_a_gauge_of_plateaus_is_not_taken_for_a_pack_of_another_size(to_percent: float) -> None:
    """The slope of the charge over the energy is one of the voices: the median is not far worse than it (computed)."""
    draws, left_wh = discharged(steep, to_percent)
    hours = float(np.median(draws.to_reserve_wh / (PUMP_W / draws.efficiency + draws.idle_w)))
    true_h, used_h = left_wh / DRAIN_W, (CAPACITY - left_wh) / DRAIN_W
    slope_h = (used_h - 0.1 * CAPACITY / DRAIN_W) * (to_percent - 10.0) / (100.0 - to_percent)
    assert abs(hours - true_h) <= abs(slope_h - true_h) + 0.12 * true_h


def test_a_smooth_gauge_hardly_hears_the_slope() -> None:
    draws, _ = discharged(straight, 50.0)
    assert float(np.mean((draws.bow == 0.0) & (draws.skew == 0.0))) < 0.1


def test_a_gauge_that_sets_itself_anew_has_no_slope() -> None:
    """Eight percent up at half charge: the fall before and the charge after do not belong together."""

    def anew(x: float) -> float:
        return steep(x) + (8.0 if 0.1 < x < 0.6 else 0.0)

    draws, _ = discharged(anew, 45.0)
    assert not ((draws.bow == 0.0) & (draws.skew == 0.0)).any()


def test_a_dip_in_no_time_is_no_slope() -> None:
    """Two percent fell within half a minute, as some gauges sag when the pack takes over: before, a quarter of the
    draws of a rough gauge took that for a pack of 7 Wh, and the early end of the range stood at a quarter of an hour.
    """
    belief = PackBelief(PACK)
    belief.begin_reckoned(0, 99.5, 0.7, 100.0)
    belief.observe(30_000, 98.0, 0.1, 30.0)
    draws = belief.draw(400, seeds_of(1, 1)[0])
    assert np.quantile(draws.to_reserve_wh, 0.02) > 0.5 * CAPACITY


def test_a_draw_that_the_slope_does_not_take_keeps_its_own_losses() -> None:
    """25 % fell by 30 Wh: 120 Wh in all, 150 and 20 Wh by the others' counts. 120 of 1000 is less than a third."""
    belief = PackBelief(Pack(1000.0))
    belief.begin(0, 100.0)
    assert belief.discharge is not None
    now = replace(belief.discharge, charge_percent=75.0)
    drawn = replace(belief.draw(2, seeds_of(1, 1)[0]), capacity_wh=np.array([200.0, 1000.0]))
    used_wh, usual = (np.array([30.0, 30.0]), np.array([30.0, 30.0])), np.zeros(2)
    losses = np.array([1.5, 1.5]), np.array([40.0, 40.0])
    found = by_slope(drawn, now, np.array([True, True]), used_wh, usual, 0.0, 3, losses)
    assert found.capacity_wh.tolist() == pytest.approx([120.0, 1000.0])
    assert found.idle_w.tolist() == pytest.approx([40.0, drawn.idle_w[1]])
    assert found.efficiency.tolist() == pytest.approx([1 / 1.5, drawn.efficiency[1]])


def test_beyond_three_times_something_draws_that_is_not_measured() -> None:
    """Then the fit keeps what the nameplate leaves of the draws, and there the gauge is not taken alone."""
    within, beyond = (_against(-4.0, -math.log(3.0) + off) for off in (1e-9, -1e-9))
    assert (within.fit, beyond.fit) == (1.0, 0.0)
    assert within.plate == pytest.approx(math.exp(-0.5 * (math.log(3.0) / 0.45) ** 2) * unaged_weight(4.0), rel=1e-6)
    assert beyond.plate == unaged_weight(4.0)
