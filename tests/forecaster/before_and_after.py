"""One house, with and without a rehearsal: how far off the live forecast is when an outage has come to 90 % charge.

`python -m tests.forecaster.before_and_after [HOUSES]` prints the table of the handbook.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, replace

import numpy as np

from forecaster.discharge import DischargeEvidence, analyse
from forecaster.domain.discharge import DischargeResult
from forecaster.domain.quantities import Quantity
from forecaster.domain.readings import Reading
from forecaster.domain.runs import Supply
from forecaster.domain.site import Site
from forecaster.engine import Engine
from forecaster.twin.draw import draw_truth, nameplate
from forecaster.twin.episode import EPOCH_MS, merged
from forecaster.twin.house import House, SupplySpan, simulate
from forecaster.twin.parameters import TwinParameters
from forecaster.twin.sensors import Reporter, Sensor
from forecaster.twin.styles import Style
from forecaster.twin.water import InflowTruth
from tests.forecaster.rehearsals import calm_inflow, metered_runs

HOUR_S = 3600.0
FIRST_S, REST_S, LEAST_H, MOST_H = 4 * HOUR_S, 20 * HOUR_S, 5.0, 40.0
DEPTH = 0.3

SENSORS = (
    Sensor(Quantity.PUMP_POWER, "plug", 60.0, on_change=True, step=1.0, gain=0.0),
    Sensor(Quantity.PACK_CHARGE, "pack", 60.0, step=1.0, on_change=True),
    Sensor(Quantity.MAINS_PRESENT, "mains", 60.0, on_change=True),
)


@dataclass(frozen=True)
class Errors:
    """Errors |log(middle / true)| at 90 % charge: without a rehearsal, having watched it, having adopted its result."""

    without: float
    watched: float
    adopted: float


@dataclass(frozen=True)
class PulledHouse:
    """A house that rehearsed, recharged, and then lost its mains for good."""

    site: Site
    truth: TwinParameters
    house: House
    pulled_s: float
    back_s: float
    failed_s: float


def pulled_house(seed: int) -> PulledHouse:
    """Mains, a rehearsal 30 % deep, mains again until well past full, and an outage to the floor; a calm inflow."""
    rng = np.random.default_rng([seed, 0x0BAD])
    while True:
        drawn = draw_truth(Style.POWER, rng)
        truth = replace(drawn, pack=replace(drawn.pack, charge_limit=1.0), sun=None)
        duty = float(np.exp(rng.uniform(np.log(0.015), np.log(0.1))))
        inflow: InflowTruth = calm_inflow(truth, duty, rng)
        pump_w = duty * truth.pump.running_w
        drain_w = float(truth.pack.inverter.dc_w(np.array([pump_w + truth.loads_mean_w]))[0])
        life_h = 0.9 * truth.pack.capacity_wh / drain_w
        if LEAST_H < life_h < MOST_H:
            break
    pulled_s = FIRST_S
    back_s = pulled_s + DEPTH * life_h * HOUR_S
    failed_s = back_s + REST_S
    last_s = failed_s + 1.4 * life_h * HOUR_S
    spans = (
        SupplySpan(0.0, pulled_s, Supply.MAINS),
        SupplySpan(pulled_s, back_s, Supply.PACK),
        SupplySpan(back_s, failed_s, Supply.MAINS),
        SupplySpan(failed_s, min(last_s, 89.0 * HOUR_S), Supply.PACK),
    )
    house = simulate(truth, spans, inflow, truth.pack.capacity_wh, EPOCH_MS, rng)
    site = nameplate(f"story-{seed}", truth, SENSORS, rng)
    return PulledHouse(site, truth, house, pulled_s, back_s, failed_s)


def at_charge_s(told: PulledHouse, percent: float) -> float | None:
    """When, in the outage, the charge comes to a level [s]."""
    energy = told.house.energy
    level = told.truth.pack.energy_at_percent(percent)
    later = (energy.times_s >= told.failed_s) & (energy.left_wh <= level)
    return float(energy.times_s[later][0]) if later.any() else None


def result_of(told: PulledHouse, seed: int) -> DischargeResult:
    """What the rehearsal's analysis says, from what was read in it."""
    rng = np.random.default_rng(seed)
    polls = np.arange(told.pulled_s, told.back_s, 30.0)
    percent = np.round(told.truth.pack.reported_percent(told.house.energy.at(polls)))
    runs = metered_runs(told.site.id, told.house, told.back_s, rng)
    evidence = DischargeEvidence(
        told.site, round(told.pulled_s * 1000), round(told.back_s * 1000),
        tuple((round(t * 1000), float(c)) for t, c in zip(polls, percent, strict=True)),
        tuple(run for run in runs if run.start_ms >= told.pulled_s * 1000),
    )  # fmt: skip
    return analyse(evidence)


def errors(seed: int) -> Errors | None:
    """The three errors of a seed; None where its outage does not reach the floor."""
    told = pulled_house(seed)
    asked_s, floor_s = at_charge_s(told, 90.0), at_charge_s(told, told.site.pack.reserve_percent)
    if asked_s is None or floor_s is None:
        return None
    reporter = Reporter(told.house, told.truth, np.zeros(1), EPOCH_MS)
    rng = np.random.default_rng(seed)
    tracks = tuple(reporter.reports(sensor, 0.0, asked_s, rng) for sensor in SENSORS)
    readings = list(merged(told.site.id, tracks, ()))
    now_ms = EPOCH_MS + round(asked_s * 1000)
    calm_ms = EPOCH_MS + round((told.failed_s - 8 * HOUR_S) * 1000)
    later = [r for r in readings if r.time_ms >= calm_ms]
    true_h = (floor_s - asked_s) / HOUR_S
    return Errors(
        _error(told.site, later, now_ms, true_h, None),
        _error(told.site, readings, now_ms, true_h, None),
        _error(told.site, later, now_ms, true_h, result_of(told, seed)),
    )


def _error(site: Site, readings: list[Reading], now_ms: int, true_h: float, adopted: DischargeResult | None) -> float:
    engine = Engine(site)
    if adopted is not None:
        engine.adopt(adopted, readings[0].time_ms)
    for reading in readings:
        engine.update(reading)
    middle = engine.forecast(now_ms).hours_remaining.p50
    return abs(float(np.log((middle or 336.0) / true_h)))


def table(houses: int) -> str:
    """The handbook's table over so many houses: median and mean error without, watched and adopted."""
    found = [e for e in map(errors, range(10_000, 10_000 + houses)) if e is not None]
    lines = [f"| {len(found)} later outages, at 90 % charge | median error | mean error |", "|---|---|---|"]
    for name, values in (
        ("no rehearsal", [e.without for e in found]),
        ("the engine read the rehearsal", [e.watched for e in found]),
        ("a new engine that adopted only its result", [e.adopted for e in found]),
    ):
        lines.append(f"| {name} | {np.median(values):.1%} | {np.mean(values):.1%} |")
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    sys.stdout.write(table(int(sys.argv[1]) if len(sys.argv) > 1 else 60))
