"""Simulated rehearsals: a twin's pack under a calm inflow, read in whole per cent, with the true hours known."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from forecaster.discharge import DischargeEvidence
from forecaster.domain.quantities import Quantity
from forecaster.domain.runs import Run, Supply
from forecaster.maths.arrays import Array
from forecaster.twin.draw import draw_truth, nameplate
from forecaster.twin.house import House, SupplySpan, simulate
from forecaster.twin.parameters import TwinParameters
from forecaster.twin.styles import Style
from forecaster.twin.water import InflowTruth, wobble_path
from forecaster.twin.weather import GRID_S

POLL_S = 30.0
LONGEST_H = 90.0


@dataclass(frozen=True)
class Rehearsal:
    """What was read over a part of the discharge, and the true hours from full to the reserve floor."""

    evidence: DischargeEvidence
    true_hours: float
    house: House
    truth: TwinParameters


def calm_inflow(truth: TwinParameters, duty: float, rng: np.random.Generator) -> InflowTruth:
    """A dry spell: steady ground water with the catchment's own wobbles, no rain."""
    count = int(LONGEST_H * 3600.0 / GRID_S)
    level = duty * truth.pump.rate_l_per_min
    wobbles = np.stack([wobble_path(w.tau_h * 3600.0, w.sigma, count, rng) for w in truth.catchment.wobbles])
    factor = np.exp(wobbles.sum(axis=0))
    flow: Array = np.asarray(level * factor)
    cumulative = np.concatenate([[0.0], np.cumsum(flow * (GRID_S / 60.0))])
    empty = np.zeros((1, count))
    return InflowTruth(0.0, flow, cumulative, empty, np.zeros(count), wobbles, np.full(count, level))


def rehearse(seed: int, depth: float) -> Rehearsal:
    """A rehearsal from full that stops when `depth`, 0..1, of the way to the reserve floor is gone."""
    rng = np.random.default_rng([seed, 0x5155])
    while True:
        drawn = draw_truth(Style.POWER, rng)
        truth = replace(drawn, pack=replace(drawn.pack, charge_limit=1.0), sun=None)
        inflow = calm_inflow(truth, float(np.exp(rng.uniform(np.log(0.01), np.log(0.12)))), rng)
        whole = SupplySpan(0.0, LONGEST_H * 3600.0 - 120.0, Supply.PACK)
        house = simulate(truth, (whole,), inflow, truth.pack.capacity_wh, 0, rng)
        reserve_s = house.outages[0].reserve_s
        if reserve_s is not None and 4 * 3600.0 < reserve_s < 80 * 3600.0:
            break
    site = nameplate(f"rehearsal-{seed}", truth, (), rng)
    start_percent = float(truth.pack.reported_percent(np.array([truth.pack.capacity_wh]))[0])
    goal = start_percent - depth * (start_percent - site.pack.reserve_percent)
    end_s = house.energy.first_below_s(truth.pack.energy_at_percent(goal))
    assert end_s is not None
    polls = np.arange(0.0, end_s, POLL_S) + rng.uniform(0.0, POLL_S)
    polls = polls[polls <= end_s]
    charge = np.round(truth.pack.reported_percent(house.energy.at(polls)))
    evidence = DischargeEvidence(
        site=site,
        start_ms=0,
        end_ms=round(end_s * 1000.0),
        charge=tuple((round(t * 1000.0), float(c)) for t, c in zip(polls, charge, strict=True)),
        runs=tuple(metered_runs(site.id, house, end_s, rng)),
    )
    return Rehearsal(evidence, reserve_s / 3600.0, house, truth)


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
