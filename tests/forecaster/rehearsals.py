"""Simulated rehearsals: a twin's pack under a calm inflow, read in whole per cent, with the true hours known."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from statsmodels.regression.linear_model import GLS

from forecaster.discharge import DischargeEvidence, analyse
from forecaster.discharge.drift import drift_of
from forecaster.discharge.years import compared
from forecaster.domain.discharge import DischargeTest, EndReason
from forecaster.domain.quantities import Quantity
from forecaster.domain.runs import Run, Supply
from forecaster.domain.site import Site
from forecaster.domain.times import DAY_MS, YEAR_DAYS
from forecaster.maths.arrays import Array
from forecaster.twin.draw import draw_truth, nameplate
from forecaster.twin.house import House, SupplySpan, simulate
from forecaster.twin.parameters import TwinParameters, Wobble
from forecaster.twin.styles import Style
from forecaster.twin.water import InflowTruth, wobble_path
from forecaster.twin.weather import GRID_S

POLL_S = 30.0
START_MS = 1_600_000_000_000
LONGEST_H = 90.0

WOBBLE = (Wobble(2.0, 0.08),)
"""An inflow's own wobble: 8 %, forgotten within two hours."""

MOST_RISE = 1.5
"""A drift of the inflow, on a log scale, goes no further."""


@dataclass(frozen=True)
class Rehearsal:
    """What was read over a part of the discharge, and the true hours from full to the reserve floor."""

    evidence: DischargeEvidence
    true_hours: float
    house: House
    truth: TwinParameters


def calm_inflow(truth: TwinParameters, duty: float, rng: np.random.Generator, a_rise: float = 0.0) -> InflowTruth:
    """A dry spell: ground water with the catchment's own wobbles, no rain.

    a_rise : float — how the inflow drifts, on a log scale per hour; 0: it is steady
    """
    count = int(LONGEST_H * 3600.0 / GRID_S)
    level = duty * truth.pump.rate_l_per_min
    wobbles = np.stack([wobble_path(w.tau_h * 3600.0, w.sigma, count, rng) for w in truth.catchment.wobbles])
    drift = np.clip(a_rise * np.arange(count) * GRID_S / 3600.0, -MOST_RISE, MOST_RISE)
    factor = np.exp(wobbles.sum(axis=0) + drift)
    flow: Array = np.asarray(level * factor)
    cumulative = np.concatenate([[0.0], np.cumsum(flow * (GRID_S / 60.0))])
    empty = np.zeros((1, count))
    return InflowTruth(0.0, flow, cumulative, empty, np.zeros(count), wobbles, np.full(count, level))


def rehearse(seed: int, depth: float, wobbles: tuple[Wobble, ...] | None = None, a_rise: float = 0.0) -> Rehearsal:
    """A rehearsal from full that stops when `depth`, 0..1, of the way to the reserve floor is gone.

    wobbles : of the inflow; None: those of the house that was drawn. a_rise : its drift, on a log scale per hour
    """
    rng = np.random.default_rng([seed, 0x5155])
    while True:
        truth = calm_truth(rng)
        if wobbles is not None:
            truth = replace(truth, catchment=replace(truth.catchment, wobbles=wobbles))
        house = carried(truth, a_duty(rng), rng, a_rise)
        reserve_s = house.outages[0].reserve_s
        if reserve_s is not None and 4 * 3600.0 < reserve_s < 80 * 3600.0:
            break
    site = nameplate(f"rehearsal-{seed}", truth, (), rng)
    return Rehearsal(read(site, truth, house, depth, rng), reserve_s / 3600.0, house, truth)


def calm_truth(rng: np.random.Generator) -> TwinParameters:
    """A house whose pack is charged whole, without sun."""
    drawn = draw_truth(Style.POWER, rng)
    return replace(drawn, pack=replace(drawn.pack, charge_limit=1.0), sun=None)


def a_duty(rng: np.random.Generator) -> float:
    """A share of time that a pump runs on a calm day."""
    return float(np.exp(rng.uniform(np.log(0.01), np.log(0.12))))


def carried(truth: TwinParameters, duty: float, rng: np.random.Generator, a_rise: float = 0.0) -> House:
    """The house while its full pack carries it until it is empty."""
    inflow = calm_inflow(truth, duty, rng, a_rise)
    whole = SupplySpan(0.0, LONGEST_H * 3600.0 - 120.0, Supply.PACK)
    return simulate(truth, (whole,), inflow, truth.pack.capacity_wh, 0, rng)


def read(site: Site, truth: TwinParameters, house: House, depth: float, rng: np.random.Generator) -> DischargeEvidence:
    """What is read of it until `depth` of the way to the reserve floor is gone: the charge in whole per cent."""
    start_percent = float(truth.pack.reported_percent(np.array([truth.pack.capacity_wh]))[0])
    goal = start_percent - depth * (start_percent - site.pack.reserve_percent)
    end_s = house.energy.first_below_s(truth.pack.energy_at_percent(goal))
    assert end_s is not None
    polls = np.arange(0.0, end_s, POLL_S) + rng.uniform(0.0, POLL_S)
    polls = polls[polls <= end_s]
    charge = np.round(truth.pack.reported_percent(house.energy.at(polls)))
    return DischargeEvidence(
        site=site,
        start_ms=0,
        end_ms=round(end_s * 1000.0),
        charge=tuple((round(t * 1000.0), float(c)) for t, c in zip(polls, charge, strict=True)),
        runs=tuple(metered_runs(site.id, house, end_s, rng)),
    )


@dataclass(frozen=True)
class Aged:
    """A house whose pack was tested over the years. fade : true loss a year, as a share of first_wh [Wh]"""

    site: Site
    tests: tuple[DischargeTest, ...]
    fade: float
    first_wh: float


def tested_at(
    site: Site, truth: TwinParameters, year: float, left: float, duty: float, rng: np.random.Generator
) -> DischargeTest | None:  # fmt: skip
    """A test, 15 to 60 % deep, of a pack that has this share of its capacity left, and gives 2 % more or less by the
    temperature; None: it would carry the house for less than 3 h, or longer than 85."""
    gives = left * (1.0 + 0.02 * float(rng.standard_normal()))
    worn = replace(truth, pack=replace(truth.pack, capacity_wh=gives * truth.pack.capacity_wh))
    house = carried(worn, duty * float(np.exp(0.2 * rng.standard_normal())), rng)
    reserve_s = house.outages[0].reserve_s
    if reserve_s is None or not 3 * 3600.0 < reserve_s < 85 * 3600.0:
        return None
    result = analyse(read(site, worn, house, float(rng.uniform(0.15, 0.6)), rng))
    at_ms = START_MS + round(year * YEAR_DAYS * DAY_MS)
    return DischargeTest(f"t{at_ms}", site.id, at_ms, "owner", None, None, at_ms, EndReason.BY_HAND, result)


def aged(seed: int) -> Aged:
    """Three to six tests, once or twice a year, 15 to 60 % deep, of a pack that fades by up to 8 % a year or, one in
    four, does not; at each it gives 2 % more or less, by the temperature. Each in its own calm inflow."""
    rng = np.random.default_rng([seed, 0xFADE])
    while True:
        truth, count, gap = calm_truth(rng), int(rng.integers(3, 7)), float(rng.choice([0.5, 1.0]))
        years = gap * np.arange(count) + rng.normal(0.0, 0.04, count)
        years -= years[0]
        fade = float(rng.uniform(0.01, 0.08)) if rng.random() < 0.75 else 0.0
        duty, site = a_duty(rng), nameplate(f"aged-{seed}", truth, (), rng)
        tests = []
        for year in years.tolist():
            test = tested_at(site, truth, year, 1.0 - fade * year, duty, rng)
            if test is None:
                break
            tests.append(test)
        if len(tests) == count:
            return Aged(site, tuple(tests), fade, truth.pack.capacity_wh)


@dataclass(frozen=True)
class YearsHeld:
    """How often tests compared over the years were right: shares of 1.

    fade : the 10-90 % range held the true fade; month : that of the month held the true one, where a fade was told
    steady, fading : a fade was told where there was none, and where there was one
    months, blind : how many months were told, and how many houses of which it said that it cannot tell
    """

    fade: float
    month: float
    steady: float
    fading: float
    months: int
    blind: int


def years_scored(seeds: range) -> YearsHeld:
    """Packs tested over the years, held against the truth."""
    held, months, blind, told = [], [], 0, {True: [0.0], False: [0.0]}
    for one in map(aged, seeds):
        found = compared(one.site, one.tests, (), one.tests[-1].finished_ms or 0)
        assert found is not None
        if found.fade_a_year is None:
            blind += 1
            continue
        held.append(found.fade_a_year[0] <= one.fade <= found.fade_a_year[2])
        told[one.fade > 0.0].append(bool(found.fading))
        if one.fade > 0.0 and found.below_ms is not None:
            years = (1.0 - found.needed_wh / one.first_wh) / one.fade
            true_ms = START_MS + years * YEAR_DAYS * DAY_MS
            if true_ms > found.tests[-1].at_ms and years < 50.0:
                low, _, high = (np.inf if at is None else at for at in found.below_ms)
                months.append(low <= true_ms <= high)
    return YearsHeld(
        float(np.mean(held)), float(np.mean(months)) if months else np.nan, float(np.mean(told[False][1:] or [0.0])),
        float(np.mean(told[True][1:] or [0.0])), len(months), blind,
    )  # fmt: skip


def metered_runs(site: str, house: House, end_s: float, rng: np.random.Generator) -> list[Run]:
    """The pump's runs as a plug meter tells them, its scale off by up to a per cent."""
    scale = 1.0 + 0.005 * float(rng.standard_normal())
    edges = np.stack([house.runs.start_s, house.runs.stop_s], axis=1)
    edges = edges[edges[:, 1] <= end_s]
    energy = scale * np.diff(house.pump.integral_at_h(edges.ravel()).reshape(edges.shape), axis=1)[:, 0]
    found = []
    for (start, stop), used in zip(edges.tolist(), energy.tolist(), strict=True):
        watts = used * 3600.0 / (stop - start)
        found.append(
            Run(
                site, round(start * 1000), round(stop * 1000), used, watts, watts, Quantity.PUMP_POWER, Supply.PACK,
                samples=max(2, int(stop - start)),
            )
        )  # fmt: skip
    return found


@dataclass(frozen=True)
class Held:
    """How often rehearsals were right: shares of 1.

    hours : the 10-90 % range of the hours held the true ones; error : median of the middle's error
    steady : drift was told where there was none but the wobble; drifting, known : it was told where there was one, by
    the rehearsal and by generalised least squares that know the wobble
    """

    hours: float
    error: float
    steady: float
    drifting: float
    known: float


def scored(seeds: range, depth: float) -> Held:
    """Rehearsals of one depth over so many houses, each once as it is, once with the wobble, and once drifting."""
    asked = [rehearse(seed, depth) for seed in seeds]
    found = [analyse(one.evidence) for one in asked]
    true_h = np.array([one.true_hours for one in asked])
    low, middle, high = np.array([result.hours_full_to_reserve for result in found]).T
    rises = np.random.default_rng(seeds.start).uniform(0.02, 0.2, len(seeds))
    steady = [rehearse(seed, depth, WOBBLE).evidence.runs for seed in seeds]
    drifting = [rehearse(seed, depth, WOBBLE, rise).evidence.runs for seed, rise in zip(seeds, rises, strict=True)]
    return Held(
        float(np.mean((low <= true_h) & (true_h <= high))), float(np.median(np.abs(middle / true_h - 1.0))),
        float(np.mean([told(runs) for runs in steady])), float(np.mean([told(runs) for runs in drifting])),
        float(np.mean([told_by_gls(runs) for runs in drifting])),
    )  # fmt: skip


def told(runs: Sequence[Run]) -> bool:
    """Whether a rehearsal tells a drift of these runs."""
    found = drift_of(runs)
    return found is not None and found.told


def told_by_gls(runs: Sequence[Run]) -> bool:
    """Whether statsmodels' generalised least squares tell a drift, that know the wobble of WOBBLE.

    The chance of each single cycle is what its neighbours differ by beyond that wobble.
    """
    edges_h = np.array([(a.stop_ms, b.start_ms) for a, b in pairwise(runs)], dtype=np.float64) / 3_600_000.0
    if len(edges_h) < 4:
        return False
    at_h, values = edges_h.mean(axis=1), -np.log(np.diff(edges_h, axis=1)[:, 0])
    (wobble,) = WOBBLE
    shared = wobble.sigma**2 * np.exp(-np.abs(at_h[:, None] - at_h) / wobble.tau_h)
    beyond = 0.5 * np.mean(np.diff(values) ** 2) - np.mean(wobble.sigma**2 - np.diagonal(shared, 1))
    sigma = shared + max(float(beyond), 1e-6) * np.eye(at_h.size)
    line = np.column_stack([np.ones(at_h.size), at_h])
    fitted = GLS(values, line, sigma=sigma).fit(cov_type="fixed scale")
    return bool(fitted.pvalues[1] < 0.05)


def table(houses: int) -> str:
    """The handbook's table over so many houses, from seed 10,000 on, at two depths."""
    lines = ["| depth | 10-90 % holds | median error | drift told, steady | drift told, drifting | … by GLS |"]
    lines.append("|---|---|---|---|---|---|")
    for depth in (0.15, 0.3):
        held = scored(range(10_000, 10_000 + houses), depth)
        shares = " | ".join(
            f"{share:.1%}" for share in (held.hours, held.error, held.steady, held.drifting, held.known)
        )
        lines.append(f"| {depth:.0%} | {shares} |")
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    sys.stdout.write(table(int(sys.argv[1]) if len(sys.argv) > 1 else 200))
