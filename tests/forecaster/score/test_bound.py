"""The bound: its sampler, filters and priors against posteriors that are known in closed form or on a whole grid."""

from __future__ import annotations

import json

import numpy as np
import pytest
from scipy.stats import chisquare, multivariate_normal, norm

from api.cli import main
from api.commands.score_table import gap_table
from forecaster.domain.forecast import LEVELS
from forecaster.score.bound.bound import BOUND, PACK_KNOWN, WATER_KNOWN, Bound
from forecaster.score.bound.filter import GAP, RainSeen, WaterFilter, picked
from forecaster.score.bound.heard import discharges_heard, ran_s, runs_heard
from forecaster.score.bound.pack import PackKnown, walk_filter
from forecaster.score.bound.tempering import tempered
from forecaster.score.bound.water import Constants, State, Waters, draw_constants
from forecaster.score.cases import from_episode
from forecaster.score.gap import gaps
from forecaster.score.metrics import Outcome, mean_pinball
from forecaster.score.rolling import ENGINE, ORACLE, Scored
from forecaster.twin.episode import episode
from forecaster.twin.styles import FULL, Style


def test_tempering_finds_a_posterior_known_in_closed_form() -> None:
    """Linear observations of normal unknowns: the posterior is normal (any text on Bayesian linear regression)."""
    design = np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 1.0]])
    seen, noise = np.array([1.2, -2.0]), np.array([0.05, 0.1])

    def log_likelihood(unknown: np.ndarray) -> np.ndarray:
        miss = (seen[:, None] - design @ unknown) / noise[:, None]
        return np.asarray(-0.5 * (miss**2).sum(axis=0))

    draws = tempered(log_likelihood, 3, np.random.default_rng(3), 4000).draws
    covariance = np.linalg.inv(np.eye(3) + design.T @ np.diag(noise**-2) @ design)
    mean = covariance @ design.T @ (seen / noise**2)
    assert draws.mean(axis=1) == pytest.approx(mean, abs=0.06)
    assert np.cov(draws) == pytest.approx(covariance, abs=0.05)


def test_random_walk_filter_is_the_joint_normal_density() -> None:
    """Against scipy's dense normal density, and the conditional mean by the textbook formula for joint normals."""
    rng = np.random.default_rng(5)
    seen, drift2, noise2 = rng.normal(size=(1, 6)), rng.uniform(0.1, 1.0, (1, 6)), rng.uniform(0.1, 1.0, (1, 6))
    mean, spread2, total = walk_filter(seen, drift2, noise2)
    gathered = np.cumsum(drift2[0])
    walk = np.minimum(gathered[:, None], gathered[None, :])
    whole = walk + np.diag(noise2[0])
    assert total[0] == pytest.approx(multivariate_normal(np.zeros(6), whole).logpdf(seen[0]))
    gain = np.linalg.solve(whole, walk[-1])
    assert mean[0] == pytest.approx(gain @ seen[0])
    assert spread2[0] == pytest.approx(walk[-1, -1] - gain @ walk[-1])


def dry(count: int, base: np.ndarray) -> np.ndarray:
    """Constants of catchments that differ in their base flow alone: no rain to speak of, no wobble, no season."""
    small = np.full(count, 1e-9)
    hours, flat = np.full(count, 2.0), np.zeros(count)
    natural = Constants(
        base, flat, flat, small, small, small, hours, hours, hours, hours, hours, small, hours, small, hours, small,
        np.ones(count), small, hours, small, flat, flat,
    )  # fmt: skip
    plain = {"swing", "peak_day", "wet_swing", "wet_peak_day"}
    return np.stack([x if name in plain else np.log(x) for name, x in natural._asdict().items()])


def test_water_filter_finds_a_base_flow_as_a_whole_grid_does() -> None:
    """A base flow of unknown size, told with noise that gathers: the posterior on a grid of all values is exact."""
    rng = np.random.default_rng(11)
    constants = dry(4000, np.exp(rng.uniform(np.log(0.01), np.log(0.06), 4000)))
    water = WaterFilter(constants, 0.0, 100.0, rng, born=0.0)
    truth, noise_s = 0.03, 6.0
    told = truth * 600.0 + noise_s * rng.normal(size=24)
    for worked in told:
        water.hear(600.0)
        water.gap_s = water.gap_s - worked
        water.observe(noise_s**2, 1e-6)
        water.renew()
    grid = np.exp(np.linspace(np.log(0.01), np.log(0.06), 20_001))
    log_density = -0.5 * ((told.sum() - told.size * 600.0 * grid) ** 2) / (told.size * noise_s**2)
    density = np.exp(log_density - log_density.max())
    density /= density.sum()
    mean = float(density @ grid)
    spread = float(density @ (grid - mean) ** 2) ** 0.5
    weight, base = water.weights(), water.has.base
    found = float(weight @ base)
    assert found == pytest.approx(mean, abs=0.25 * spread)
    assert float(weight @ (base - found) ** 2) ** 0.5 == pytest.approx(spread, rel=0.25)


def test_an_error_that_does_not_gather_tells_the_whole_exactly() -> None:
    """A counter in coarse steps: the base flow is known from its first and last values, however many lie between."""
    rng = np.random.default_rng(12)
    water = WaterFilter(dry(4000, np.exp(rng.uniform(np.log(0.01), np.log(0.06), 4000))), 0.0, 100.0, rng, born=0.0)
    told = 0.03 * 600.0 * np.arange(1, 49) + 10.0 * rng.normal(size=48)
    for worked in np.diff(told, prepend=0.0):
        water.hear(600.0)
        water.gap_s = water.gap_s - worked
        water.observe(1e-6, 100.0)
        water.renew()
    weight, base = water.weights(), water.has.base
    times_s = 600.0 * np.arange(1, 49)
    spread = 10.0 / float(times_s @ times_s) ** 0.5  # of the slope of a line through 0, by least squares
    found = float(weight @ base)
    assert found == pytest.approx(float(told @ times_s / (times_s @ times_s)), abs=0.3 * spread)
    assert float(weight @ (base - found) ** 2) ** 0.5 == pytest.approx(spread, rel=0.3)


@pytest.mark.slow
def test_storms_proposed_more_often_are_weighted_down_for_it() -> None:
    """Proposed four times as often, as much rain comes in the mean as from storms at their own rate."""
    rng = np.random.default_rng(2)
    constants = draw_constants(20_000, rng)
    plain, eager = Waters(constants, 0.0, 50.0, rng), Waters(constants, 0.0, 50.0, rng)
    for _ in range(12):
        for one, often in ((plain, 1.0), (eager, 4.0)):
            one.weather(900.0, often)
            one.at_s += 900.0
    weight = np.exp(eager.log_weight)
    raining = float(weight @ (eager.state.storms > 0.0).any(axis=0)) / float(weight.sum())
    assert raining == pytest.approx(float((plain.state.storms > 0.0).any(axis=0).mean()), rel=0.1)
    assert (eager.state.storms > 0.0).mean() > 3.0 * (plain.state.storms > 0.0).mean()


def stormy(count: int, rng: np.random.Generator) -> tuple[np.ndarray, State]:
    """The same house so many times, in a storm that neither ends nor is joined by another."""
    natural = Constants(
        *(np.full(count, x) for x in (
            0.03, 0.0, 0.0, 0.03, 0.04, 0.05, 2.0, 20.0, 100.0, 0.5, 0.3, 0.08, 2.0, 0.05, 12.0, 0.03, 0.9, 1e-9, 1e9,
            2.0, 0.0, 0.0,
        ))
    )  # fmt: skip
    plain = {"swing", "peak_day", "wet_swing", "wet_peak_day"}
    constants = np.stack([x if name in plain else np.log(x) for name, x in natural._asdict().items()])
    wobbles = np.stack([natural.wobble, natural.wobble_2, natural.wobble_3]) * rng.normal(size=(3, count))
    storms = np.stack([np.full(count, 3.0), np.zeros(count)])
    return constants, State(np.zeros(count), np.full((3, count), 0.02), wobbles, storms)


def test_kalman_filters_moments_are_those_of_houses_drawn_in_full() -> None:
    """Means and covariance of rain, stores, wobbles and work after two hours, against 40,000 houses by the rules."""
    rng = np.random.default_rng(14)
    constants, state = stormy(40_000, rng)
    drawn, work_s = Waters(constants, 0.0, 50.0, rng, state), np.zeros(40_000)
    few, begun = stormy(1, rng)
    water = WaterFilter(few, 0.0, 50.0, rng)
    water.state = begun
    water.forget_wobbles(np.arange(1))
    for _ in range(12):
        work_s += 600.0 * drawn.step(600.0)
        water.hear(600.0)
    whole = np.concatenate([drawn.state.delayed[None], drawn.state.stores, drawn.state.wobbles, work_s[None]])
    found = np.concatenate([
        water.state.delayed, water.state.stores[:, 0], water.state.wobbles[:, 0], water.gap_s,
    ])  # fmt: skip
    sd = whole.std(axis=1)
    assert (found - whole.mean(axis=1)) / sd == pytest.approx(np.zeros(8), abs=0.03)
    assert np.sqrt(np.diag(water.spread[0])) == pytest.approx(sd, rel=0.05)
    correlation = water.spread[0] / np.sqrt(np.outer(np.diag(water.spread[0]), np.diag(water.spread[0])))
    assert correlation == pytest.approx(np.corrcoef(whole), abs=0.04)


def test_what_is_told_is_learnt_as_joint_normals_are() -> None:
    """One particle: after a sight of its gap, mean and covariance are those conditional on it (any text on normals)."""
    rng = np.random.default_rng(15)
    constants, state = stormy(1, rng)
    water = WaterFilter(constants, 0.0, 50.0, rng)
    water.state = state
    water.hear(600.0)
    water.gap_s = water.gap_s - 45.0
    before, gap_s, wobbles = water.spread[0].copy(), float(water.gap_s[0]), water.state.wobbles[:, 0].copy()
    water.observe(4.0, 9.0)
    before[GAP, GAP] += 4.0
    gain = before[:, GAP] / (before[GAP, GAP] + 9.0)
    assert water.state.wobbles[:, 0] == pytest.approx(wobbles - gain[4:7] * gap_s)
    assert water.spread[0] == pytest.approx(before - np.outer(gain, before[GAP]))
    density = norm(0.0, (before[GAP, GAP] + 9.0) ** 0.5).logpdf(gap_s) + 0.5 * np.log(2.0 * np.pi)
    assert water.log_weight[0] == pytest.approx(density)


def test_rain_between_two_times_is_the_share_of_each_span() -> None:
    seen = RainSeen(np.array([600.0, 1200.0, 1800.0, 4200.0]), np.array([0.0, 3.0, 6.0, 1.0]), 600.0)
    assert seen.between(900.0, 1500.0) == pytest.approx(4.5)  # half of a span of 3 mm/h and half of one of 6
    assert seen.between(1200.0, 2100.0) == pytest.approx(6.0)  # a third of it is not known
    assert seen.between(1700.0, 2600.0) is None  # nearly nothing of it is


def test_particles_that_begin_anew_keep_their_flow() -> None:
    """Of a wet catchment: other constants and wobbles, and stores such that as much water comes as before."""
    rng = np.random.default_rng(8)
    water = WaterFilter(draw_constants(400, rng), 0.0, 50.0, rng, born=1.0)
    water.state.stores = np.full((3, 400), 0.4)
    told, before = water.flow(), water.constants
    water.begin_anew()
    assert not np.array_equal(water.constants, before)
    assert water.flow() == pytest.approx(told)


def test_systematic_resampling_takes_each_as_often_as_its_weight_says() -> None:
    weight = np.array([0.1, 0.2, 0.0, 0.7])
    counts = np.bincount(picked(weight, 1000, np.random.default_rng(1)), minlength=4)
    assert counts == pytest.approx(1000.0 * weight, abs=1.0)  # systematic: off by less than one each


def test_what_samples_on_change_tell_is_the_pumps_work() -> None:
    drawn = episode(3, FULL)
    assert drawn.style is Style.ON_CHANGE
    heard = runs_heard(drawn)
    runs = drawn.house.runs
    at_s = np.array([heard.times_s[5], heard.times_s[-1]])
    by_hand = [
        sum(
            min(stop, until) - start
            for start, stop in zip(runs.start_s, runs.stop_s, strict=True)
            if heard.times_s[0] < start < until
        )
        for until in at_s
    ]
    assert heard.on_at(at_s) == pytest.approx(by_hand, abs=1e-6)
    assert ran_s(runs, runs.stop_s[:1])[0] == pytest.approx(float(runs.stop_s[0] - runs.start_s[0]))


def test_the_charge_crosses_each_border_between_its_two_messages() -> None:
    drawn = episode(1, FULL)
    at_ms = drawn.at_charge_ms(50.0)
    assert at_ms is not None
    one = discharges_heard(drawn, (at_ms - drawn.start_ms) / 1000.0)[-1]
    before, after = (
        drawn.parameters.pack.reported_percent(drawn.house.energy.at(t)) for t in (one.before_s, one.after_s)
    )
    assert one.level_percent.size > 20
    assert np.all(before[1:] >= one.level_percent[1:] - 1e-6)  # the first border is 100 %, left as the mains failed
    assert np.all(after <= one.level_percent + 1e-6)


@pytest.mark.slow
@pytest.mark.parametrize("percent", [60.0, 30.0])
def test_true_packs_lie_anywhere_among_those_drawn(percent: float) -> None:
    """Simulation-based calibration (Talts et al. 2018): where truth and prior agree, the rank of the truth is even."""
    ranks = []
    for seed in range(60, 130):
        drawn = episode(seed, FULL)
        at_ms = drawn.at_charge_ms(percent)
        if at_ms is None:
            continue
        at_s = (at_ms - drawn.start_ms) / 1000.0
        packs = PackKnown(drawn, runs_heard(drawn), at_s).draws(400, np.random.default_rng(seed))
        pack = drawn.parameters.pack
        left_wh = float(drawn.house.energy.at(np.array([at_s]))[0])
        ranks.append(float((packs.budget_wh < left_wh - pack.energy_at_percent(pack.reserve_percent)).mean()))
    counts = np.histogram(ranks, bins=5, range=(0.0, 1.0))[0]
    assert chisquare(counts).pvalue > 0.005


@pytest.mark.slow
@pytest.mark.timeout(5400)
def test_true_water_lies_anywhere_among_what_is_drawn() -> None:
    """The same for the water: how long the pump runs in the three hours to come, at 60 % of charge."""
    ranks = []
    for seed in range(60, 100):
        drawn = episode(seed, FULL)
        at_ms = drawn.at_charge_ms(60.0)
        if at_ms is None:
            continue
        at_s = (at_ms - drawn.start_ms) / 1000.0
        water = Bound(drawn, particles=4000).water_at(at_s, np.random.default_rng(seed))
        drawn_h = np.stack([water.step(600.0) for _ in range(18)]).sum(axis=0) / 6.0
        first, pump = drawn.house.inflow.index(at_s), drawn.parameters.pump
        rate = pump.rate_l_per_min * (1.0 - pump.wear_per_day * at_s / 86_400.0)
        true_h = float(drawn.house.inflow.l_per_min[first : first + 180].sum()) / rate / 60.0
        ranks.append(float((drawn_h < true_h).mean()))
    counts = np.histogram(ranks, bins=5, range=(0.0, 1.0))[0]
    assert sum(counts) > 30
    assert chisquare(counts).pvalue > 0.005


@pytest.mark.slow
@pytest.mark.timeout(5400)
def test_bound_lies_above_the_oracle_and_two_runs_agree() -> None:
    losses = {ORACLE: 0.0, "first": 0.0, "second": 0.0}
    for seed in range(130, 137):
        drawn = episode(seed, FULL)
        cases = [from_episode(drawn, (75.0, 50.0), bound=run) for run in (0, 1)]
        for origin in cases[0].origins:
            assert cases[0].reference is not None
            oracle_h = cases[0].reference(origin.at_ms)
            losses[ORACLE] += mean_pinball(oracle_h, origin.outcome) / float(oracle_h[3])
            for name, case in zip(("first", "second"), cases, strict=True):
                assert case.bound is not None
                losses[name] += mean_pinball(case.bound(origin.at_ms).hours[BOUND], origin.outcome) / float(oracle_h[3])
    assert losses["first"] > losses[ORACLE]
    assert losses["first"] == pytest.approx(losses["second"], rel=0.15)


def at(forecaster: str, percent: float, off_h: float, group: str = "power") -> Scored:
    """A forecast of one number of hours that is off by so many of ten."""
    quantiles = (10.0 + off_h,) * len(LEVELS)
    effective = 40.0 + percent if forecaster == BOUND else None
    return Scored("a", group, percent, forecaster, quantiles, Outcome(10.0), 10.0, effective=effective)


def test_gap_splits_by_hand() -> None:
    """Levels are even about a half: a forecast of one number loses half of what it is off by, of 10 h 5 % for 1 h."""
    said = {ORACLE: 1.0, WATER_KNOWN: 1.5, PACK_KNOWN: 1.2, BOUND: 2.0, ENGINE: 5.0}
    found = gaps([at(name, percent, off_h) for name, off_h in said.items() for percent in (75.0, 60.0)])
    assert found is not None
    assert found.whole.forecasts == 1  # 60 % is not of the headline
    losses = (
        found.whole.oracle,
        found.whole.water_known,
        found.whole.pack_known,
        found.whole.bound,
        found.whole.engine,
    )
    assert losses == pytest.approx((0.05, 0.075, 0.06, 0.1, 0.25))
    assert found.whole.unknowable == pytest.approx(0.25)
    assert found.whole.over_bound == pytest.approx(2.5)
    assert set(found.by_percent) == {"75", "60"}
    assert found.effective == (107.5, 100.0)
    shown = gap_table(found, markdown=True)
    row = next(line for line in shown.splitlines() if line.startswith("| at 75% charge"))
    assert [cell.strip() for cell in row.split("|")[2:-1]] == [
        "1", "5.00 %", "7.50 %", "6.00 %", "10.00 %", "25.00 %", "25 %", "2.50",
    ]  # fmt: skip
    assert "108 in the median, 100 at least" in shown


def test_no_bound_no_gap() -> None:
    assert gaps([at(ORACLE, 75.0, 1.0), at(ENGINE, 75.0, 2.0)]) is None


@pytest.mark.slow
def test_command_scores_beside_the_bound(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["score", "--bound", "--episodes", "1", "--seed", "7", "--workers", "1", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert {ORACLE, BOUND, PACK_KNOWN, WATER_KNOWN, ENGINE} <= set(found["headline"])
    assert found["gaps"]["whole"]["bound"] == pytest.approx(found["headline"][BOUND]["pinball"])
    assert found["gaps"]["whole"]["engine"] == pytest.approx(found["headline"][ENGINE]["pinball"])
    assert found["gaps"]["effective"][1] > 1.0


@pytest.mark.parametrize("other", [["--zoo"], ["--world", "outside"], ["--styles", "sun"]])
def test_bound_is_only_of_our_own_simulated_houses(other: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["score", "--bound", *other]) == 2
    assert "--bound" in capsys.readouterr().err
