"""Formulas of the pack, each against a line of arithmetic that stands beside it."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from forecaster.domain.site import Chemistry
from forecaster.domain.times import HOUR_MS
from forecaster.pack import battery, stray
from forecaster.pack.chargeline import ChargeSteps
from forecaster.pack.charging import Charging
from forecaster.pack.doubt import doubted, nameplate_weight, unaged_weight
from forecaster.pack.draws import Discharge, PackDraws
from forecaster.pack.slope import with_slope
from forecaster.pack.sun import clear_sky_w_per_m2

NOON_MS = 1_782_043_200_000
"""21 June 2026, 12:00 UTC: the sun is high over Greenwich at 45° north."""

NIGHT_MS = NOON_MS - 12 * HOUR_MS


@pytest.mark.parametrize(
    ("kind", "exponent"),
    [
        (Chemistry.LITHIUM, 1.0),
        (Chemistry.LITHIUM_IRON_PHOSPHATE, 1.05),
        (Chemistry.LITHIUM_NICKEL, 1.05),
        (Chemistry.AGM, 1.1),
        (Chemistry.FLOODED, 1.25),
        (Chemistry.LEAD_ACID, 1.2),
    ],
)
def test_peukert_exponents(kind: Chemistry, exponent: float) -> None:
    """Absorbent mat 1.05 to 1.15, flooded 1.2 to 1.3, lithium about 1.05: the middles. From memory."""
    assert battery.PEUKERT[kind] == exponent


@pytest.mark.parametrize(
    ("celsius", "iron", "nickel"),
    [
        (-30, 0.50, 0.70), (-20, 0.50, 0.70), (-10, 0.68, 0.80), (-5, 0.765, 0.85), (0, 0.85, 0.90), (5, 0.905, 0.93),
        (10, 0.96, 0.96), (15, 0.98, 0.98), (20, 1.0, 1.0), (40, 1.0, 1.0),
    ],
)  # fmt: skip
def test_lithium_capacity_by_temperature(celsius: float, iron: float, nickel: float) -> None:
    """Common practice, no source; straight between the points, level beyond them. No stated kind: the lower one."""
    assert battery.temperature_factor(celsius, Chemistry.LITHIUM_NICKEL) == pytest.approx(nickel)
    for kind in (Chemistry.LITHIUM, Chemistry.LITHIUM_IRON_PHOSPHATE):
        assert battery.temperature_factor(celsius, kind) == pytest.approx(iron)


@pytest.mark.parametrize(
    ("charge", "bow", "skew", "percent"),
    [
        (0.5, 0.2, 0.0, 55.0),  # 0.5 + 0.25 * 0.2
        (0.25, 0.0, 0.1, 25.9375),  # 0.25 + 0.1875 * 0.1 * 0.5
        (0.75, 0.0, 0.1, 74.0625),
        (0.25, 0.2, 0.1, 29.6875),
        (1.2, 0.2, 0.0, 117.8),  # bent no further than at 1.1: 1.1 * -0.1 * 0.2 = -0.022
        (-0.3, 0.2, 0.0, -32.2),
    ],
)
def test_a_gauge_bends_between_full_and_empty(charge: float, bow: float, skew: float, percent: float) -> None:
    assert float(battery.reported_percent(np.array(charge), bow, skew)) == pytest.approx(percent)


def test_the_slope_of_a_gauge_is_never_nothing() -> None:
    """1 + bow (1 - 2x) + skew (1 - 6x + 6x^2): at full with bow 0.9 it would be 0.1."""
    assert float(battery.reported_slope(np.array(1.0), 0.9)) == pytest.approx(0.2)
    assert float(battery.reported_slope(np.array(0.25), 0.2, 0.1)) == pytest.approx(1 + 0.1 + 0.1 * (1 - 1.5 + 0.375))
    assert float(battery.reported_slope(np.array(1.2), 0.9)) == 1.0


def test_a_charge_beyond_its_scale_is_full_or_empty() -> None:
    assert battery.charge_at(np.array([-5.0, 0.0, 100.0, 130.0]), 0.2, 0.1).tolist() == pytest.approx([0, 0, 1, 1])


def test_energy_beyond_the_rated_power_costs_more() -> None:
    """Twice the 20 h rate at exponent 1.1: 2^0.1 = 1.0718; at exponent 1 nothing."""
    assert battery.peukert_drain(120.0, 1200.0, 20.0, 1.1) == pytest.approx(2**0.1)
    assert battery.peukert_drain(60.0, 1200.0) == pytest.approx(1.0)
    assert battery.peukert_drain(120.0, 1200.0) == pytest.approx(2**0.1), "absorbent mat at the 20 h rate"
    assert battery.peukert_drain(600.0, 1200.0, 20.0, 1.0) == 1.0


def test_what_a_discharge_used() -> None:
    """100 Wh of the pump, 20 W of loads and 10 W idle for 2 h, at 1.25 Wh a Wh, less 90 % of 40 Wh that came in."""
    now = Discharge(0, plug_wh=100.0, elapsed_h=2.0, charging_wh=40.0, unheard_wh=8.0)
    one = np.ones(1)
    assert now.used_wh(1.25 * one, 10 * one, 20 * one, 1.5 * one).tolist() == pytest.approx(
        [1.25 * (100 + 12 + 40) + 20 - CHARGED * 40]
    )
    metered = replace(now, loads_wh=30.0)
    assert metered.used_wh(1.25 * one, 10 * one, 20 * one, one).tolist() == pytest.approx(
        [1.25 * (100 + 8 + 30) + 20 - CHARGED * 40]
    )


CHARGED = 0.97
"""Share of the energy at the pack's input that it takes. Common practice, no source."""


def drawn(count: int = 4000, bow: float = 0.0) -> PackDraws:
    """Draws of one and the same pack, full: 1000 Wh, a reserve of 10 %, 90 % efficient."""
    one = np.ones(count)
    left = (900 * one, 1000 * one, 0 * one)
    pack = PackDraws(1000 * one, 0.9 * one, 10 * one, 20 * one, *left, bow=bow * one, skew=0 * one, start=one)
    return replace(pack, stray_percent=np.zeros((count, 2)))


def test_charge_after_a_drain_is_what_is_left_and_the_strays_between_now_and_the_floor() -> None:
    """Half of the way to the floor a gauge that strays +2 % now and -4 % there is off by -1 %."""
    pack = replace(drawn(1), stray_percent=np.array([[2.0, -4.0]]))
    after = pack.charge_percent_after(np.array([0.0, 450.0, 900.0, 975.0, 1000.0, 1200.0])[None, :])[0]
    # at 2.5 % of charge the stray has faded to a half (it fades below 5 %), at empty to nothing
    assert after.tolist() == pytest.approx([100.0, 54.0, 6.0, 0.5, 0.0, 0.0])
    assert drawn(1).charge_percent_after(np.array([250.0])).tolist() == pytest.approx([75.0])
    assert drawn(1, bow=0.2).charge_percent_after(np.array([500.0])).tolist() == pytest.approx([55.0])


def test_some_of_the_draws() -> None:
    pack = replace(drawn(4), capacity_wh=np.arange(4.0), unheard=np.ones(1), doubt=0.25)
    some = pack.taken(np.array([2, 0]))
    assert (some.capacity_wh.tolist(), some.idle_w.size, some.unheard.size, some.doubt) == ([2.0, 0.0], 2, 1, 0.25)


@pytest.mark.parametrize(
    ("deviations", "weight"),
    [
        (2.6, 0.46),  # as likely as not, of 0.92 at most
        (3.0, 0.92 / (1 + math.exp(-1))),
        (2.2, 0.92 / (1 + math.exp(1))),
        (30.0, 0.92),
        (1.1, 0.92 / (1 + math.exp(1.5 / 0.4))),  # 0.0211
        (1.0, 0.0),  # 0.0165 is less than 0.02
    ],
)
def test_how_a_nameplate_is_believed_against_a_gauge(deviations: float, weight: float) -> None:
    """A logistic curve about 2.6 deviations. Common practice, no source."""
    assert nameplate_weight(deviations) == pytest.approx(weight)


@pytest.mark.parametrize(
    ("deviations", "weight"), [(1.7, 0.175), (2.05, 0.35 / (1 + math.exp(-1))), (30.0, 0.35), (0.5, 0.0)]
)
def test_how_a_nameplate_is_believed_where_the_gauge_shows_less(deviations: float, weight: float) -> None:
    """About 1.7 deviations, and of 0.35 at most: packs age. Common practice, no source."""
    assert unaged_weight(deviations) == pytest.approx(weight)


def test_a_gauge_far_above_its_nameplate_gives_way_in_a_share_of_the_draws() -> None:
    """From full, 400 Wh at the plug through 90 % and 10 W for 1 h: 454 Wh of a plate of 1000. A gauge that shows 10 %
    gone holds 4500 Wh: those draws have the plate's capacity, and what is left of it above and below the reserve.
    """
    count = 8000
    plate_mean = np.array([math.log(1000.0), -math.log(0.9), math.log(10.0), 0.0, 0.0, 0.0])
    plate = plate_mean, np.diag(np.array([0.07, 0.06, 0.3, 0.25, 0.08, 0.05]) ** 2)
    now = Discharge(0, plug_wh=400.0, elapsed_h=1.0, loads_wh=0.0)
    gauge = replace(drawn(count), capacity_wh=np.full(count, 4500.0), to_empty_wh=np.full(count, 4050.0))
    found = doubted(gauge, now, plate, 1.0, 10.0, 3)
    taken = found.capacity_wh != 4500.0
    assert found.doubt == pytest.approx(0.85), "so many at most"
    assert float(taken.mean()) == pytest.approx(found.doubt, abs=0.01)
    assert float(np.median(found.capacity_wh[taken])) == pytest.approx(1000.0, rel=0.02)
    assert float(np.median(found.to_empty_wh[taken])) == pytest.approx(1000.0 - 400.0 / 0.9 - 10.0, rel=0.03)
    held = (found.to_empty_wh - found.to_reserve_wh)[taken]
    assert held.tolist() == pytest.approx((0.1 * found.capacity_wh[taken]).tolist())
    assert (found.to_empty_wh + found.to_full_wh)[taken].tolist() == pytest.approx(found.capacity_wh[taken].tolist())
    assert float(np.median(found.efficiency[taken])) == pytest.approx(0.9, rel=0.01)
    warm = doubted(gauge, now, plate, 0.5, 10.0, 3)
    assert float(np.median(warm.capacity_wh[warm.capacity_wh != 4500.0])) == pytest.approx(500.0, rel=0.05)
    fresh = replace(gauge, to_empty_wh=np.full(count, 4500.0 * 0.951))
    assert doubted(fresh, now, plate, 1.0, 10.0, 3) is fresh, "less than a twentieth is gone"
    honest = replace(gauge, capacity_wh=np.full(count, 1000.0), to_empty_wh=np.full(count, 546.0))
    assert doubted(honest, now, plate, 1.0, 10.0, 3) is honest


@pytest.mark.parametrize(
    ("gone", "plug_wh", "share"),
    [
        (1.08, 300.0, 0.0),  # as honest packs stray
        (1.2, 300.0, 0.25 / (1.0 + math.exp(-(math.log(1.2) - 0.15) / 0.015))),  # 0.225
        (1.28, 300.0, 0.25),  # and no more than that
        (1.4, 300.0, 0.25 * math.exp(-0.5 * ((math.log(1.4) - 0.26) / 0.06) ** 2)),  # 0.093: an unlisted load, say
        (1.28, 0.0, 0.0),  # nothing but losses: they may be greater than was thought
    ],
)
def test_a_gauge_that_falls_a_fifth_too_fast_is_doubted_however_little_is_known_of_the_pack(
    gone: float, plug_wh: float, share: float
) -> None:
    """300 Wh through 90 %, and 40 of idle draw, out of a plate of 1000 that is known to a factor of 1.3; a gauge shows
    more gone. By their deviations, of 0.3 to 1.3, the nameplate would get 0.06 at most. Common practice, no source."""
    count = 8000
    idle_w = 10.0 if plug_wh else 300.0 / 4.0
    plate_mean = np.array([math.log(1000.0), -math.log(0.9), math.log(idle_w), 0.0, 0.0, 0.0])
    plate = plate_mean, np.diag(np.array([0.25, 0.06, 0.3, 0.25, 0.01, 0.01]) ** 2)
    now = Discharge(0, plug_wh=plug_wh, elapsed_h=4.0, loads_wh=0.0)
    left = 1000.0 * (1.0 - gone * (plug_wh / 0.9 + idle_w * now.elapsed_h) / 1000.0)
    fit = replace(drawn(count), capacity_wh=np.full(count, 1000.001), to_empty_wh=np.full(count, left))
    found = doubted(fit, now, plate, 1.0, 10.0, 3)
    assert float((found.capacity_wh != 1000.001).mean()) == pytest.approx(share, abs=0.03)


def test_loads_that_the_fit_takes_for_gone_still_stand_on_the_list() -> None:
    """Listed loads of 50 W for 8 h and 180 Wh at the plug are 580 Wh of a plate of 1000, and a gauge shows 20 % gone.
    The fit has the loads at 2.5 W, so the two agree; yet 0.35 of the draws are the plate's with the loads as listed.
    """
    count = 8000
    plate_mean = np.array([math.log(1000.0), 0.0, math.log(0.001), 0.0, 0.0, 0.0])
    plate = plate_mean, np.diag(np.array([0.07, 0.06, 0.3, 0.25, 0.08, 0.05]) ** 2)
    now = Discharge(0, plug_wh=180.0, elapsed_h=8.0)
    fit = replace(drawn(count), loads_w=np.full(count, 2.5), capacity_wh=np.full(count, 1000.0))
    fit = replace(fit, to_empty_wh=np.full(count, 800.0))
    found = doubted(fit, now, plate, 1.0, 10.0, 3, listed_w=50.0)
    taken = found.loads_w != 2.5
    assert found.doubt == pytest.approx(0.35)
    assert float(taken.mean()) == pytest.approx(0.35, abs=0.015)
    assert float(np.median(found.loads_w[taken])) == pytest.approx(50.0, rel=0.02)
    assert float(np.median(found.to_empty_wh[taken])) == pytest.approx(420.0, rel=0.05)
    measured = replace(now, loads_wh=20.0)
    assert doubted(fit, measured, plate, 1.0, 10.0, 3, listed_w=50.0) is fit, "what is measured needs no list"


def test_covariance_of_the_stray() -> None:
    """Matern 3/2 of 0.9 % over 0.25 and 1/2 of 0.45 % over 0.06 (Rasmussen & Williams 2006, eq. 4.17 and 4.18)."""

    def free(apart: float) -> float:
        scaled = math.sqrt(3.0) * apart / 0.25
        return 0.81 * (1 + scaled) * math.exp(-scaled) + 0.2025 * math.exp(-apart / 0.06)

    found = stray.stray_covariance(np.array([80.0, 50.0]), np.array([60.0]))
    # pinned at full: k(a, b) - k(a, 1) k(b, 1) / k(1, 1)
    wanted = [free(0.2) - free(0.2) * free(0.4) / free(0.0), free(0.1) - free(0.5) * free(0.4) / free(0.0)]
    assert found[:, 0].tolist() == pytest.approx(wanted)
    assert stray.stray_between(10.0) == pytest.approx(math.sqrt(2 * (free(0.0) - free(0.1))))
    assert stray.stray_between(0.0) == 0.0


def test_what_the_next_discharge_keeps_of_the_scales() -> None:
    """Four fifths of what was learnt, one fifth of the prior 0.5, 0.3, 0.2."""
    assert stray.remembered(np.array([0.0, 0.0, 1.0])).tolist() == pytest.approx([0.1, 0.06, 0.84])


def test_evidence_takes_seven_tenths_of_a_scales_weight_at_most() -> None:
    """Two roundings by three scales; only the smooth scale explains the charge, each keeps 0.3 of its prior."""
    prior = np.outer([0.5, 0.5], [0.5, 0.3, 0.2]).ravel()
    told = np.array([0.0, -50.0, -50.0, -50.0, -50.0, -50.0])
    found = stray.hedged(prior, told).reshape(2, 3)
    assert found.sum() == pytest.approx(1.0)
    assert found.sum(axis=0).tolist() == pytest.approx([0.7 + 0.15, 0.09, 0.06])
    assert found[0, 0] == pytest.approx(0.85), "the rounding that explains it has the scale's share"
    assert found[:, 1].tolist() == pytest.approx([0.045, 0.045])


def test_a_rough_gauge_is_partly_read_by_its_slope() -> None:
    """From 100 % to 80 % for 300 Wh: 15 Wh a percent. 70 % to the floor are 1050 Wh less what went since, 30 Wh.

    Of the draws 0.9 * 20 / (20 + 4) are taken so; how far the gauge strays is known by `stray_between`.
    """
    now = Discharge(0, evidence=ChargeSteps(start_percent=100.0), charge_percent=80.0)
    count = 20_000
    used = np.full(count, 300.0)
    found = with_slope(drawn(count), now, used, used + 30.0, np.full(count, 2.0), 10.0, 3)
    taken = found.capacity_wh != 1000.0
    assert float(taken.mean()) == pytest.approx(0.75, abs=0.01)
    fell, ahead = 100.0 * 300.0 / found.capacity_wh[taken], (found.to_reserve_wh[taken] + 30.0) / 15.0
    assert float(np.median(fell)) == pytest.approx(20.0, rel=0.01)
    assert float(np.std(fell)) == pytest.approx(2.0 * stray.stray_between(20.0), rel=0.02)
    assert float(np.median(ahead)) == pytest.approx(70.0, rel=0.02)
    between = found.to_empty_wh[taken] - found.to_reserve_wh[taken]
    assert between.tolist() == pytest.approx((10.0 * found.capacity_wh[taken] / 100.0).tolist())
    assert (found.to_full_wh + found.to_empty_wh)[taken].tolist() == pytest.approx(found.capacity_wh[taken].tolist())


def test_a_smooth_gauge_and_one_that_set_itself_anew_have_no_slope() -> None:
    def slope(scale: float = 2.0, charge: float | None = 80.0, edges: tuple[float, ...] = ()) -> bool:
        now = Discharge(0, evidence=ChargeSteps(start_percent=100.0), charge_percent=charge)
        now.evidence.edges.extend(edges)
        pack = drawn(200)
        used = np.full(200, 300.0)
        return with_slope(pack, now, used, used, np.full(200, scale), 10.0, 3) is not pack

    assert slope()
    assert not slope(scale=1.9)
    assert not slope(charge=100.0)
    assert not slope(charge=None)
    assert slope(edges=(95.0, 97.5, 90.0))
    assert not slope(edges=(95.0, 97.6, 90.0)), "up by more than two and a half"


def test_a_sun_is_known_by_its_yield_over_a_clear_sky() -> None:
    """400 W at noon over a clear sky's light; half of it for an hour weighs by its share of the hours seen."""
    light = float(clear_sky_w_per_m2(np.array([NOON_MS + HOUR_MS / 2.0]), 45.0, 0.0)[0])
    charging = Charging(45.0, 0.0)
    charging.observe(NOON_MS, NOON_MS + HOUR_MS, 0.4 * light)
    assert (charging.usual, charging.today, charging.usual_h) == pytest.approx((0.4, 0.4, 1.0))
    later = float(clear_sky_w_per_m2(np.array([NOON_MS + 1.5 * HOUR_MS]), 45.0, 0.0)[0])
    charging.observe(NOON_MS + HOUR_MS, NOON_MS + 2 * HOUR_MS, 0.2 * later)
    assert charging.usual == pytest.approx(0.3), "the mean of two hours"
    assert charging.today == pytest.approx(0.4 - 0.2 * (1 - math.exp(-0.5))), "two hours are forgotten by a factor e"
    charging.observe(NOON_MS + 2 * HOUR_MS, NOON_MS + 2 * HOUR_MS, 900.0)
    assert charging.usual_h == 2.0, "no time, no evidence"
    charging.usual_h, charging.usual = 12.0, 0.3
    far_ms = NOON_MS + 24 * HOUR_MS
    again = float(clear_sky_w_per_m2(np.array([far_ms + HOUR_MS / 2.0]), 45.0, 0.0)[0])
    charging.observe(far_ms, far_ms + HOUR_MS, 0.9 * again)
    assert charging.usual == pytest.approx(0.3 + 0.6 / 12), "twelve hours are remembered"
    assert charging.today == pytest.approx(0.9), "after six hours without light a new day"


def test_power_by_night_is_a_generator_that_goes_on_for_about_four_hours() -> None:
    """E[min(t, X)] with X exponential of mean 4 h: 4 (1 - e^(-t/4)); for 4 h 2.528 h of 500 W."""
    charging = Charging(45.0, 0.0)
    charging.observe(NIGHT_MS, NIGHT_MS + HOUR_MS, 500.0)
    ahead = charging.draw_ahead(NIGHT_MS + HOUR_MS, np.array([1800.0, 14_400.0, 360_000.0]), 4000, 1)
    assert ahead is not None
    wanted = [500 * 4 * (1 - math.exp(-hours / 4)) for hours in (0.5, 4.0, 100.0)]
    assert ahead.mean(axis=0).tolist() == pytest.approx(wanted, rel=0.01)
    charging.observe(NIGHT_MS + HOUR_MS, NIGHT_MS + 2 * HOUR_MS, 2.0)
    assert not charging.seen, "two watts are a meter's own"


def test_without_a_place_a_charging_goes_on_as_it_is() -> None:
    """A factor whose log has the spread 0.35: the median is the power, 68 % within exp(0.35) of it."""
    charging = Charging(None, None)
    charging.observe(NOON_MS, NOON_MS + HOUR_MS, 100.0)
    ahead = charging.draw_ahead(NOON_MS, np.array([7200.0]), 4000, 1)
    assert ahead is not None
    assert float(np.median(ahead)) == pytest.approx(200.0, rel=0.005)
    assert float(np.std(np.log(ahead))) == pytest.approx(0.35, rel=0.01)


def test_the_sun_ahead_is_each_days_light_times_its_yield() -> None:
    """A lognormal yield of the mean 0.3: spread 0.6 for a coming day, 0.3 for the rest of this one."""
    charging = Charging(45.0, 0.0, usual=0.3, usual_h=12.0)
    hours = np.arange(1.0, 49.0)
    day_wh = (
        float(np.sum(clear_sky_w_per_m2(NOON_MS + (np.arange(0.0, 12.0, 0.01) + 0.005) * HOUR_MS, 45.0, 0.0))) * 0.01
    )
    whole_wh = float(np.sum(clear_sky_w_per_m2(NOON_MS + (np.arange(12.0, 36.0, 0.01)) * HOUR_MS, 45.0, 0.0))) * 0.01
    ahead = charging.draw_ahead(NOON_MS, hours * 3600.0, 4000, 1)
    assert ahead is not None
    rest, tomorrow = ahead[:, 11], ahead[:, 35] - ahead[:, 11]
    assert float(rest.mean()) == pytest.approx(0.3 * day_wh, rel=0.01)
    assert float(np.std(np.log(rest))) == pytest.approx(0.6, rel=0.01)
    assert float(tomorrow.mean()) == pytest.approx(0.3 * whole_wh, rel=0.01)
    assert abs(float(np.corrcoef(rest, tomorrow)[0, 1])) < 0.05, "each day has weather of its own"
    charging.today, charging.today_ms = 0.1, NOON_MS - 4 * HOUR_MS + 1
    known = charging.draw_ahead(NOON_MS, hours * 3600.0, 4000, 1)
    assert known is not None
    assert float(known[:, 11].mean()) == pytest.approx(0.1 * day_wh, rel=0.01)
    assert float(np.std(np.log(known[:, 11]))) == pytest.approx(0.3, rel=0.01)
    assert float((known[:, 35] - known[:, 11]).mean()) == pytest.approx(0.3 * whole_wh, rel=0.01)
    charging.today_ms = NOON_MS - 4 * HOUR_MS
    stale = charging.draw_ahead(NOON_MS, hours * 3600.0, 4000, 1)
    assert stale is not None
    assert stale.tolist() == ahead.tolist(), "what was seen four hours ago is not today's any more"


def test_energy_counts_in_spans_of_ten_minutes() -> None:
    """10 Wh in ten minutes are 60 W; a count that falls begins anew."""
    charging = Charging(None, None)
    charging.count(0, 5.0, begins=True)
    charging.count(599_999, 15.0)
    assert charging.night_w == 0.0
    charging.count(600_000, 15.0)
    assert charging.night_w == pytest.approx(60.0)
    charging.count(1_000_000, 3.0)
    assert (charging.last_ms, charging.counted_wh) == (1_000_000, 3.0)
    charging.count(1_600_000, 8.0)
    assert charging.night_w == pytest.approx(30.0)
