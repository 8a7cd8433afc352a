"""The water's models, each against a line of arithmetic that stands beside it."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import norm

from forecaster.domain.site import Pit, Pump
from forecaster.domain.times import HOUR_MS
from forecaster.water.ahead import widen
from forecaster.water.inflow import HISTORY_BIN_H, Inflow
from forecaster.water.recession import (
    BASE,
    FAST,
    MIDDLE,
    RAIN,
    SHARES,
    SLOW,
    STORES,
    WOBBLE,
    Bank,
    Candidates,
    Surge,
    grid,
)
from forecaster.water.seasonal import SeasonBelief, day_of, season_columns
from forecaster.water.storms import StormClimate, filled_h, storm_rate, unknown_size

DAY_MS = 24 * HOUR_MS
ONE = Candidates(np.array([[2.0, 20.0, 100.0]]), np.array([0.05]), np.array([3.0]), np.zeros(1))
"""A single candidate: reservoirs of 2, 20 and 100 h, a wobble of 5 % over 3 h."""


def bank(mean: list[float], spread: float = 0.0) -> Bank:
    return Bank(ONE, np.array(mean), np.diag(np.full(len(mean), spread**2)))


def test_the_grid_holds_every_combination_alike() -> None:
    """3 x 3 x 2 time constants and 4 wobbles: 72."""
    made = grid()
    assert made.count == 72
    assert np.exp(made.log_prior).sum() == pytest.approx(1.0)
    assert sorted(set(made.tau_h[:, 0])) == [1.2, 2.7, 5.5]
    assert sorted(set(made.tau_h[:, 1])) == [10.0, 17.0, 30.0]
    assert sorted(set(made.tau_h[:, 2])) == [65.0, 150.0]
    assert sorted({*zip(made.wobble.tolist(), made.wobble_h.tolist(), strict=True)}) == [
        (0.03, 0.3), (0.03, 3.0), (0.07, 0.4), (0.07, 3.0),
    ]  # fmt: skip
    assert made.scales_h[made.scale].tolist() == made.tau_h.tolist()
    assert made.wobbles_h[made.which].tolist() == made.wobble_h.tolist()


def test_shares_of_rain_are_all_of_it() -> None:
    """Common practice, no source: 28, 33 and 39 % to the fast, middle and slow reservoir."""
    assert SHARES.tolist() == [0.28, 0.33, 0.39]
    assert SHARES.sum() == pytest.approx(1.0)


def test_water_recedes_by_its_time_constants_and_rain_fills() -> None:
    """After 2 h: 10 e^-1 + 0.28 * 50 (1 - e^-1) in the fast reservoir, and so on; the base stays."""
    made = bank([5.0, 10.0, 20.0, 30.0, 1.0, 50.0])
    made.predict(2.0, 0.0)
    kept = [math.exp(-2 / tau) for tau in (2.0, 20.0, 100.0)]
    wanted = [
        was * keep + share * 50.0 * (1 - keep) for was, keep, share in zip((10, 20, 30), kept, SHARES, strict=True)
    ]
    assert made.mean[0].tolist() == pytest.approx([5.0, *wanted, math.exp(-2 / 3), 50.0])


def test_doubt_grows_with_the_time() -> None:
    """Over a day of a level of 100 W: a drift of 4 W in base and reservoirs, half of the share that rain brings, and
    the wobble's own 5 W less what it still remembers.
    """
    made = bank([5.0, 10.0, 20.0, 30.0, 0.0, 50.0])
    made.predict(24.0, 100.0)
    variance = np.diag(made.covariance[0])
    assert variance[BASE] == pytest.approx(16.0)
    for store, tau, share in zip((FAST, MIDDLE, SLOW), (2.0, 20.0, 100.0), SHARES, strict=True):
        brought = 0.5 * share * 50.0 * (1 - math.exp(-24 / tau))
        assert variance[store] == pytest.approx(16.0 + brought**2)
    assert variance[WOBBLE] == pytest.approx(25.0 * (1 - math.exp(-48 / 3)))
    assert variance[RAIN] == 0.0


def test_measured_rain_fills_by_its_gains() -> None:
    """4 mm/h for 2 h at gains of 28, 33 and 39 W per mm/h."""
    made = bank([0.0] * 6)
    had = made.has_gains
    made.add_gains(100.0)
    assert (had, made.has_gains) == (False, True)
    assert made.mean[0, 6:].tolist() == pytest.approx([28.0, 33.0, 39.0])
    assert np.diag(made.covariance[0])[6:].tolist() == pytest.approx([2 * 28**2, 2 * 33**2, 2 * 39**2])
    assert made.covariance[0, 6, 7] == pytest.approx(28.0 * 33.0)
    made.covariance[:] = 0.0
    made.predict(2.0, 0.0, 4.0)
    gave = [4.0 * gain * (1 - math.exp(-2 / tau)) for gain, tau in zip((28, 33, 39), (2.0, 20.0, 100.0), strict=True)]
    assert made.mean[0, STORES].tolist() == pytest.approx(gave)
    # the ground varies in wetness: a tenth of the sum of gains a day, 2 h of it
    assert np.diag(made.covariance[0])[6:].tolist() == pytest.approx(((10.0 * SHARES) ** 2 / 12.0).tolist())
    again = made.mean.copy()
    made.add_gains(999.0)
    assert made.mean.tolist() == again.tolist()


def test_a_pump_that_was_never_heard_runs_a_twenty_fifth_of_the_time() -> None:
    """4 % of 480 W within a factor of e, for 10 h; where the charge tells its mean power, within what water may change:
    exp(0.7) upwards, exp(-0.25) downwards. Common practice, no source.
    """
    inflow, ahead_s = Inflow(Pump(rated_power_w=480.0), Pit()), np.array([0.0, 36_000.0])
    tenth = float(norm.ppf(0.9))
    for told, up, down in ((False, 1.0, 1.0), (True, 0.7, 0.25)):
        wh = inflow.drawn_ahead(0, ahead_s, 20_000, 3, level_told=told)[:, 1]
        low, middle, high = np.quantile(wh, [0.1, 0.5, 0.9]).tolist()
        assert middle == pytest.approx(0.04 * 480.0 * 10.0, rel=0.02)
        assert math.log(high / middle) == pytest.approx(up * tenth, rel=0.03)
        assert math.log(middle / low) == pytest.approx(down * tenth, rel=0.03)


def test_evidence_is_forgotten_in_three_weeks() -> None:
    made = Bank(grid(), np.zeros(6), np.zeros((6, 6)))
    made.log_weight = made.candidates.log_prior + np.arange(72.0)
    made.predict(24.0 * 21.0, 0.0)
    assert (made.log_weight - made.candidates.log_prior).tolist() == pytest.approx((np.arange(72.0) / math.e).tolist())


def test_a_mean_over_a_span_looks_back_along_the_recession() -> None:
    """The mean of e^(s/tau) over the 2 h before: (e - 1) of the fast end value; at most three time constants back."""
    made = bank([0.0] * 6)
    row = made.design(2.0)[0]
    assert row.tolist() == pytest.approx(
        [1.0, math.e - 1, (math.e**0.1 - 1) / 0.1, (math.e**0.02 - 1) / 0.02, 1.0, 0.0]
    )
    assert made.design(60.0)[0, FAST] == pytest.approx((math.e**3 - 1) / 3)


def test_a_measurement_is_taken_in_as_bayes_says() -> None:
    """One state of 5 ± 2 W, measured as 9 ± 1 W: by precision 8.2 ± sqrt(0.8) W; its evidence is a normal's."""
    made = Bank(ONE, np.array([5.0, 0, 0, 0, 0, 0]), np.diag([4.0, 0, 0, 0, 0, 0]))
    two = Candidates(
        np.repeat(ONE.tau_h, 2, 0), np.repeat(ONE.wobble, 2), np.repeat(ONE.wobble_h, 2), np.log([0.5, 0.5])
    )
    pair = Bank(two, np.array([5.0, 0, 0, 0, 0, 0]), np.diag([4.0, 0, 0, 0, 0, 0]))
    pair.mean[1, BASE] = 9.0
    made.observe(9.0, 1.0, 0.2)
    assert made.mean[0, BASE] == pytest.approx(8.2)
    assert made.covariance[0, BASE, BASE] == pytest.approx(0.8)
    pair.observe(9.0, 1.0, 0.2)
    odds = norm.pdf(9.0, 5.0, math.sqrt(5.0)) / norm.pdf(9.0, 9.0, math.sqrt(5.0))
    assert pair.weights.tolist() == pytest.approx([odds / (1 + odds), 1 / (1 + odds)])


def test_water_is_not_negative() -> None:
    """-3 ± 1 W are taken as zero, give or take 2 % of the level of 97 W."""
    made = Bank(ONE, np.array([100.0, -3.0, 0, 0, 0, 0]), np.diag([0, 1.0, 0, 0, 0, 0]))
    made._keep_positive()
    give = (0.02 * 97.0 + 1e-6) ** 2
    assert made.mean[0, FAST] == pytest.approx(-3.0 + 3.0 / (1.0 + give))
    assert made.covariance[0, FAST, FAST] == pytest.approx(1.0 - 1.0 / (1.0 + give))


def test_a_level_some_time_on_and_its_doubt() -> None:
    made = bank([5.0, 10.0, 20.0, 30.0, 2.0, 99.0], 1.0)
    mean, spread = made.levels_w(2.0)
    fade = [1.0, math.exp(-1), math.exp(-0.1), math.exp(-0.02), math.exp(-2 / 3)]
    assert float(mean[0]) == pytest.approx(sum(f * w for f, w in zip(fade, (5, 10, 20, 30, 2), strict=True)))
    assert float(spread[0]) == pytest.approx(math.sqrt(sum(f * f for f in fade)))
    assert made.level_w == pytest.approx(67.0)
    assert made.rain_w == pytest.approx(99.0)
    assert bank([-5.0, 0, 0, 0, 0, -1.0]).level_w == 0.0
    assert bank([-5.0, 0, 0, 0, 0, -1.0]).rain_w == 0.0


SURGE = Surge(begins=0.01, ends=0.05, rain_w=40.0)


def test_a_storm_that_begins_has_rained_for_half_the_step() -> None:
    """40 W of rain for 0.1 h; its strength is as uncertain as itself, and how it divides by 0.7 of each part."""
    made = bank([0.0] * 6)
    mean, cov = made._begun(SURGE, 0.2)
    brought = [40.0 * share * (1 - math.exp(-0.1 / tau)) for share, tau in zip(SHARES, (2.0, 20.0, 100.0), strict=True)]
    assert mean[0].tolist() == pytest.approx([0.0, *brought, 0.0, 40.0])
    assert cov[0, RAIN, RAIN] == pytest.approx(1600.0)
    assert cov[0, FAST, RAIN] == pytest.approx(40.0 * brought[0])
    assert cov[0, FAST, FAST] == pytest.approx(1.49 * brought[0] ** 2)


def test_a_cloudburst_is_an_hour_of_rain_at_once() -> None:
    made = bank([0.0] * 6)
    mean, cov = made._burst(SURGE)
    brought = [40.0 * share / tau for share, tau in zip(SHARES, (2.0, 20.0, 100.0), strict=True)]
    assert mean[0].tolist() == pytest.approx([0.0, *brought, 0.0, 0.0])
    assert cov[0, FAST, MIDDLE] == pytest.approx(brought[0] * brought[1])
    assert cov[0, SLOW, SLOW] == pytest.approx(1.49 * brought[2] ** 2)


def test_a_storm_that_is_over_leaves_no_rain() -> None:
    made = bank([5.0, 1.0, 1.0, 1.0, 0.0, 30.0], 2.0)
    mean, cov = made._over()
    assert mean[0].tolist() == [5.0, 1.0, 1.0, 1.0, 0.0, 0.0]
    assert (cov[0, RAIN].tolist(), cov[0, BASE, BASE]) == ([0.0] * 6, 4.0)


def test_what_may_have_happened_is_weighed_by_chance_and_evidence() -> None:
    """Four stories: as before, begun, over, a cloudburst (0.3 of a beginning); collapsed to one Gaussian."""
    made = bank([5.0, 1.0, 1.0, 1.0, 0.0, 0.0], 0.5)
    surge = Surge(begins=0.01, ends=0.05, rain_w=400.0)
    stories = [(made.mean.copy(), made.covariance.copy()), made._begun(surge, 0.2), made._over(), made._burst(surge)]
    chances = [0.94, 0.01, 0.05, 0.003]
    design = made.design(0.2)[0]
    likes, ends = [], []
    for mean, cov in stories:
        spread = float(design @ cov[0] @ design) + 4.0
        likes.append(float(norm.pdf(16.0, float(design @ mean[0]), math.sqrt(spread))))
        gain = cov[0] @ design / spread
        ends.append(mean[0] + gain * (16.0 - float(design @ mean[0])))
    share = np.array(chances) * likes / np.dot(chances, likes)
    made.observe(16.0, 4.0, 0.2, surge)
    middle = share @ np.array(ends)
    assert middle[RAIN] > 1.0
    assert made.mean[0].tolist() == pytest.approx(middle.tolist())


def test_where_nothing_is_surprising_no_storm_is_thought_of() -> None:
    calm = bank([5.0, 1.0, 1.0, 1.0, 0.0, 0.0], 0.5)
    calm.observe(8.0, 4.0, 0.2, SURGE)
    assert calm.rain_w == 0.0


def test_faint_rain_may_be_over() -> None:
    """12 ± 2 W with three chances in four, else none: 9 W, a variance of 0.75 x 4 + 0.75 x 0.25 x 144 = 30."""
    made = bank([5.0, 1.0, 1.0, 1.0, 0.0, 12.0], 2.0)
    made.covariance[0, BASE, RAIN] = made.covariance[0, RAIN, BASE] = 1.0
    made._fade_rain(0.25)
    cov = made.covariance
    assert made.mean[0].tolist() == pytest.approx([5.0, 1.0, 1.0, 1.0, 0.0, 9.0])
    assert (cov[0, RAIN, RAIN], cov[0, BASE, RAIN], cov[0, RAIN, BASE]) == pytest.approx((30.0, 0.75, 0.75))
    assert cov[0, BASE, BASE] == 4.0


# -- storms


def test_storms_are_counted_from_a_prior_of_three_hundred_hours() -> None:
    """One each 90 h: 3.33 storms in 300 h. Two of 10 and 30 Wh within 100 h: 5.33 in 400 h, mean (2 * 20 + 40) / 4."""
    climate = StormClimate(prior_size=20.0)
    assert climate.rate_per_h == pytest.approx(1 / 90)
    assert climate.mean_size == 20.0
    assert climate.size_spread == pytest.approx(0.8)
    for size in (10.0, 30.0):
        climate.watch(4.0, size)
        climate.watch(46.0, 0.0)
    assert climate.storms == 2.0
    assert climate.rate_per_h == pytest.approx((300 / 90 + 2) / 400)
    assert climate.mean_size == pytest.approx(20.0)
    assert climate.size_spread == pytest.approx(0.8 * math.sqrt(0.5))


def test_rain_after_six_dry_hours_is_a_new_storm() -> None:
    near = StormClimate(prior_size=20.0)
    for span, amount in ((1.0, 10.0), (5.9, 0.0), (1.0, 10.0), (6.0, 0.0)):
        near.watch(span, amount)
    assert (near.storms, near.total) == (1.0, 20.0)
    apart = StormClimate(prior_size=20.0)
    for span, amount in ((1.0, 10.0), (6.0, 0.0), (1.0, 10.0), (6.0, 0.0)):
        apart.watch(span, amount)
    assert (apart.storms, apart.total) == (2.0, 20.0)


@pytest.mark.parametrize(("size", "counted"), [(2.0, 0.0), (2.1, 1.0)])
def test_a_storm_of_a_tenth_of_the_mean_is_none(size: float, counted: float) -> None:
    climate = StormClimate(prior_size=20.0)
    climate.watch(1.0, size)
    climate.watch(6.0, 0.0)
    assert climate.storms == counted
    assert climate.open_size == 0.0


def test_a_reservoir_gives_what_it_holds_back_later() -> None:
    """After one time constant 1 - (1 - 1/e) = 1/e of tau hours of rain."""
    assert filled_h(np.array([2.0, 20.0]), 2.0).tolist() == pytest.approx([2.0 / math.e, 18.0 + 2.0 * math.exp(-10)])


def test_rates_stand_on_a_grid_and_the_water_stays() -> None:
    """Steps of 1.3 from one in 90 h: a rate of 1.2 times that stands at 1.3, with storms of 12/13 the size."""
    rate, factor = storm_rate(1.2 / 90)
    assert rate == pytest.approx(1.3 / 90)
    assert factor == pytest.approx(1.2 / 1.3)
    assert storm_rate(1 / 90) == pytest.approx((1 / 90, 1.0))


def test_an_unknown_size_is_lognormal_of_mean_one() -> None:
    found = unknown_size(3, 20_000, 0.5)
    assert float(found.mean()) == pytest.approx(1.0, rel=0.005)
    assert float(np.log(found).std()) == pytest.approx(0.5, rel=0.005)


def test_widened_draws_stray_further_over_twelve_hours_and_keep_their_course() -> None:
    """6, 12 and 48 Wh in 12 h with a factor of 2: 6 / 12, 1 and 48 / 12 as factors, before and after these hours."""
    ahead_h = np.array([0.0, 6.0, 12.0, 24.0])
    rises = np.array([[2.0, 4.0, 8.0], [6.0, 6.0, 6.0], [40.0, 8.0, 1.0]], dtype=np.float32)
    widen(rises, ahead_h, 2.0)
    assert rises.tolist() == [[1.0, 2.0, 4.0], [6.0, 6.0, 6.0], [160.0, 32.0, 4.0]]
    widen(rises, ahead_h, 1.0)
    assert rises[0].tolist() == [1.0, 2.0, 4.0]


def test_a_draw_without_water_is_not_blown_up_where_ranges_are_narrowed() -> None:
    """Nothing in 12 h and 1 Wh after them, by a factor of 0.5: a ratio counts to 1 in 30, so 30 ** 0.5 Wh at most."""
    rises = np.array([[0.0, 1.0], [9.0, 9.0], [9.0, 9.0]], dtype=np.float32)
    widen(rises, np.array([0.0, 12.0, 24.0]), 0.5)
    assert rises[0].tolist() == pytest.approx([0.0, math.sqrt(30.0)])
    dry = np.zeros((3, 2), dtype=np.float32)
    widen(dry, np.array([0.0, 12.0, 24.0]), 0.5)
    assert not dry.any()


# -- the inflow as a whole


def inflow() -> Inflow:
    return Inflow(Pump(rated_power_w=500.0), Pit())


def test_before_the_first_cycle_a_pump_runs_four_per_cent_within_a_factor_of_e() -> None:
    """20 W of 500; the 5 and 95 % points are exp(1.645) away. 2.5 h of pumping a storm, and 9 mm."""
    made = inflow()
    found = made.mean_w(0)
    assert (found.p05, found.p50, found.p95) == pytest.approx((20 / math.exp(1.645), 20.0, 20 * math.exp(1.645)))
    assert found.count == 0
    assert (made.storms.mean_size, made.rain.mean_size) == (1250.0, 9.0)
    paths = made.draw_ahead(0, np.array([0.0, 3600.0, 7200.0]), 4000, np.random.default_rng(1), storms=False)
    assert paths[:, 0].tolist() == [0.0] * 4000
    assert float(np.median(paths[:, 1])) == pytest.approx(20.0, rel=0.01)
    assert float(np.std(np.log(paths[paths[:, 1] < 499, 1]))) == pytest.approx(1.0, rel=0.02)
    assert paths[:, 2].tolist() == pytest.approx((2 * paths[:, 1]).tolist())
    assert float(paths[:, 1].max()) <= 500.0
    assert made.halving_h(0) is None


def test_what_is_kept_for_refits() -> None:
    """Bins of up to 0.8 h, of the last three weeks."""
    made = inflow()
    hours = 24 * 24
    for quarter in range(4 * hours):
        made.observe(quarter * HOUR_MS // 4, (quarter + 1) * HOUR_MS // 4, 5.0)
    lengths = {round((row[1] - row[0]) / HOUR_MS, 3) for row in made.history[:-1]}
    assert max(lengths) == pytest.approx(0.75)
    assert HISTORY_BIN_H == 0.8
    kept_h = (made.history[-1][1] - made.history[0][0]) / HOUR_MS
    assert 21 * 24 - 1.0 <= kept_h <= 21 * 24 + 25.0
    assert made.cycles == 4 * hours
    assert sum(row[2] for row in made.history) == pytest.approx(20.0 * kept_h)


def test_a_steady_inflow_is_known_and_its_doubt_is_a_share_of_it() -> None:
    made = inflow()
    for tenth in range(240):
        made.observe(tenth * HOUR_MS // 10, (tenth + 1) * HOUR_MS // 10, 4.0)
    found = made.mean_w(24 * HOUR_MS)
    assert found.p50 == pytest.approx(40.0, rel=0.02)
    made.doubt(0.3)
    wider = made.mean_w(24 * HOUR_MS)
    assert wider.p50 == pytest.approx(found.p50, rel=0.02)
    assert (wider.p95 - wider.p05) / 3.29 == pytest.approx(0.3 * 40.0, rel=0.1)


def test_falling_water_halves_after_ln_2_of_its_time_constant() -> None:
    """All water in a reservoir of 10 h: 6.93 h, on a grid of steps of a fifteenth."""
    made = inflow()
    made.candidates = grid((1.2,), (10.0,), (150.0,), ((0.03, 3.0),))
    made.bank = Bank(made.candidates, np.array([0.0, 0.0, 80.0, 0.0, 0.0, 0.0]), np.zeros((6, 6)))
    assert made.halving_h(0) == pytest.approx(10 * math.log(2), rel=0.07)
    made.bank = Bank(made.candidates, np.array([90.0, 0.0, 80.0, 0.0, 0.0, 0.0]), np.zeros((6, 6)))
    assert made.halving_h(0) is None, "the base stays"


# -- the season


def test_the_columns_of_a_season_turn_once_and_twice_a_year() -> None:
    quarter = 365.2425 / 4
    assert season_columns(np.array([0.0, quarter])).tolist() == [
        pytest.approx([1.0, 1.0, 0.0, 1.0, 0.0]), pytest.approx([1.0, 0.0, 1.0, -1.0, 0.0], abs=1e-9),
    ]  # fmt: skip
    assert day_of(3 * DAY_MS // 2) == 1.5


def test_a_seasons_level_is_a_share_of_what_the_pump_lifts() -> None:
    """exp(ln 30 + 0.5 cos) drawdowns of 120 a day; a year that is one deviation wetter brings exp(0.25) more."""
    belief = SeasonBelief(np.array([math.log(30.0), 0.5, 0, 0, 0]), np.zeros((5, 5)), 0.1, 120.0)
    found = belief.levels(np.array([0.0, 365.2425 / 2]), np.zeros((2, 5)), np.array([0.0, 1.0]))
    assert found[0].tolist() == pytest.approx([0.25 * math.exp(0.5), 0.25 * math.exp(-0.5)])
    assert found[1, 0] == pytest.approx(0.25 * math.exp(0.75))
    again = SeasonBelief.of(belief.document())
    assert again.levels(np.zeros(1), np.zeros((1, 5)), np.zeros(1))[0, 0] == pytest.approx(0.25 * math.exp(0.5))


def test_single_days_are_gammas_of_the_seasons_level() -> None:
    """Drawn by numpy: a level that strays by 0.25 from year to year, and of a day the variance mean + 0.4 mean^2."""
    belief = SeasonBelief(np.array([math.log(30.0), 0, 0, 0, 0]), np.zeros((5, 5)), 0.4, 120.0)
    rng = np.random.default_rng(1)
    mean = 30.0 * np.exp(0.25 * rng.standard_normal(200_000))
    variance = mean + 0.4 * mean**2
    days = rng.gamma(mean**2 / variance, variance / mean)
    found = belief.days_within(np.zeros(1), draws=20_000)[:, 0]
    assert (120.0 * found).tolist() == pytest.approx(np.quantile(days, [0.1, 0.5, 0.9]).tolist(), rel=0.04)
