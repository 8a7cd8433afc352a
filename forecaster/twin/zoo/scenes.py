"""Houses of known truth for the zoo: HISTORY_H on mains, then an outage until the pack is empty.

There is one exact small house, variations of it, and houses drawn from wide ranges.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from forecaster.domain.runs import Supply
from forecaster.domain.site import Pack, Pit, Pump, Site
from forecaster.maths.arrays import Array
from forecaster.twin.draw import LATITUDE, LONGITUDE, draw_truth, nameplate
from forecaster.twin.episode import EPOCH_MS, SPIN_UP_DAYS, expected_life_h
from forecaster.twin.house import House, SupplySpan, simulate
from forecaster.twin.parameters import (
    Catchment,
    Climate,
    InverterTruth,
    LoadTruth,
    PackTruth,
    PitTruth,
    PumpTruth,
    TwinParameters,
)
from forecaster.twin.styles import Style
from forecaster.twin.water import InflowTruth, inflow_from_rain, wobble_path
from forecaster.twin.weather import DAY_S, GRID_S, draw_storms, rain_on_grid

HISTORY_H = 30.0
"""Time before the outage [h]."""

SHORTEST_H, LONGEST_H = 4.0, 14.0
"""Expected hours that the pack lasts, in a house that is not the exact one."""

EARLIER_SHARE = 0.3
"""Share of houses, the exact one aside, with a short failure before the outage, 0..1."""

DRAWN_EVERY = 4
"""One seed in this many has a house drawn from wide ranges."""

PIT_AREA_M2 = 0.166
PUMP_L_PER_MIN = 150.0


@dataclass(frozen=True, slots=True)
class Scene:
    """A house through its history and its outage, before any device tells of it.

    site : Site — the owner's site file, without channels
    rain_mm_per_h : (N,) — rain on the inflow's grid [mm/h]
    start_ms : int — time 0 of the house's own seconds, UTC milliseconds
    transfer_s, empty_s : float — when the last outage began, and when no energy was left [s of the house]
    """

    seed: int
    parameters: TwinParameters
    site: Site
    house: House
    rain_mm_per_h: Array
    start_ms: int
    transfer_s: float
    empty_s: float


@dataclass(frozen=True, slots=True)
class SmallHouse:
    """The few numbers that make a small house.

    running_w, run_s, runs_per_hour : float — the pump's power [W], mean run length [s] and runs an hour
    capacity_wh, efficiency, idle_w : float — the pack's energy [Wh], its inverter's efficiency, 0..1, and idle draw [W]
    inrush : float — starting power over running power
    bow, skew : float — how the reported charge bows, as in `PackTruth`
    wobble : float — log-standard deviation of the inflow
    surplus, recession_h : float — extra inflow at time 0 as a share of the usual, and its time constant [h]
    """

    running_w: float = 500.0
    run_s: float = 10.0
    runs_per_hour: float = 30.0
    capacity_wh: float = 512.0
    efficiency: float = 0.88
    idle_w: float = 10.0
    inrush: float = 1.0
    bow: float = 0.0
    skew: float = 0.0
    wobble: float = 0.0
    surplus: float = 0.0
    recession_h: float = 12.0

    @property
    def draw_w(self) -> float:
        """Mean draw from the battery [W]."""
        return self.idle_w + self.running_w * self.run_s * self.runs_per_hour / 3600.0 / self.efficiency


EXACT = SmallHouse()
"""The exact small house: 500 W, 30 runs of 10 s an hour, 512 Wh."""


def is_exact(seed: int) -> bool:
    """Whether the house of a seed is the exact small house: seed 0, the first to tune on, and each 10,000th after."""
    return seed % 10_000 == 0


def scene(seed: int, *, hidden_w: float = 0.0) -> Scene:
    """The house of a seed: the exact small house, a variation of it, or one drawn from wide ranges.

    hidden_w : float — a steady load on the pack that the site file does not know of [W]
    """
    hidden = (LoadTruth("hidden", hidden_w, listed=False),) if hidden_w else ()
    if seed % DRAWN_EVERY == DRAWN_EVERY - 1:
        return _drawn(seed, hidden)
    return _small(seed, hidden)


def _log_between(rng: np.random.Generator, low: float, high: float) -> float:
    return math.exp(rng.uniform(math.log(low), math.log(high)))


def varied(rng: np.random.Generator) -> SmallHouse:
    """A variation of the small house, whose pack is expected to last SHORTEST_H to LONGEST_H."""
    run_s = _log_between(rng, 6.0, 40.0)
    made = SmallHouse(
        running_w=_log_between(rng, 250.0, 900.0),
        run_s=run_s,
        runs_per_hour=min(_log_between(rng, 8.0, 60.0), 0.3 * 3600.0 / run_s),
        efficiency=float(rng.uniform(0.82, 0.94)),
        idle_w=_log_between(rng, 4.0, 18.0),
        inrush=2.5,
        bow=float(rng.normal(0.0, 0.05)),
        skew=float(rng.normal(0.0, 0.03)),
        wobble=float(rng.uniform(0.02, 0.08)),
        surplus=float(rng.choice([0.0, 0.5, 1.5])),
        recession_h=_log_between(rng, 6.0, 40.0),
    )
    return replace(made, capacity_wh=made.draw_w * _log_between(rng, SHORTEST_H, LONGEST_H) / 0.9)


def _truth(small: SmallHouse) -> TwinParameters:
    """All that is true of a small house."""
    drawdown_l = (PUMP_L_PER_MIN - _inflow_l_per_min(small)) * small.run_s / 60.0
    drawdown_m = drawdown_l / 1000.0 / PIT_AREA_M2
    paco_w = 2.0 * small.running_w
    return TwinParameters(
        climate=Climate(0.2, 4.0, 2.0),
        catchment=Catchment(_inflow_l_per_min(small), 0.0, 0.0, (), 1.0, (), PUMP_L_PER_MIN),
        pit=PitTruth(PIT_AREA_M2, drawdown_m, 0.30, 0.02 * drawdown_m, 0.01 * drawdown_m),
        pump=PumpTruth(small.running_w, 0.0, 0.003, small.inrush * small.running_w, 0.3, PUMP_L_PER_MIN, 0.0, 0.78),
        pack=PackTruth(
            small.capacity_wh,
            InverterTruth(paco_w, paco_w / small.efficiency + small.idle_w, small.idle_w, 0.0),
            small.bow,
            small.skew,
            10.0,
            300.0,
        ),
    )


def _inflow_l_per_min(small: SmallHouse) -> float:
    return PUMP_L_PER_MIN * small.run_s * small.runs_per_hour / 3600.0


def _own_site(site_id: str, small: SmallHouse) -> Site:
    """The site file of the exact small house, whose owner copied what the nameplates say without an error."""
    return Site(
        id=site_id,
        name="Larkspur Lane cellar",
        timezone="America/Chicago",
        latitude=LATITUDE,
        longitude=LONGITUDE,
        pump=Pump(rated_voltage_v=120.0, rated_power_w=small.running_w, power_factor=0.78),
        pit=Pit(area_m2=PIT_AREA_M2, drawdown_m=0.14, freeboard_m=0.30),
        pack=Pack(capacity_wh=small.capacity_wh, continuous_w=2.0 * small.running_w, reserve_percent=10.0),
    )


def _small(seed: int, hidden: tuple[LoadTruth, ...]) -> Scene:
    rng = np.random.default_rng([seed, 0x2003])
    small = EXACT if is_exact(seed) else varied(rng)
    truth = replace(_truth(small), loads=hidden)
    transfer_s = HISTORY_H * 3600.0
    count = int((transfer_s + 3.0 * LONGEST_H * 3600.0) / GRID_S)
    at_s = GRID_S * np.arange(count)
    factor = np.exp(wobble_path(7200.0, small.wobble, count, rng) - 0.5 * small.wobble**2)
    factor *= 1.0 + small.surplus * np.exp(-at_s / (3600.0 * small.recession_h))
    flow = np.minimum(_inflow_l_per_min(small) * factor, 0.6 * PUMP_L_PER_MIN)
    inflow = _inflow(flow)
    site_id = f"zoo-{seed}"
    site = _own_site(site_id, small) if is_exact(seed) else nameplate(site_id, truth, (), rng)
    return _lived(seed, truth, site, inflow, np.zeros(count), EPOCH_MS + int(DAY_S * 1000) * (17 * seed % 365), rng)


def _inflow(flow: Array) -> InflowTruth:
    """A given inflow from time 0 on, without a catchment behind it.

    flow : (N,) — inflow in each grid step [L/min]
    """
    nothing = np.zeros((0, flow.size))
    cumulative = np.concatenate([[0.0], np.cumsum(flow * (GRID_S / 60.0))])
    return InflowTruth(0.0, flow, cumulative, nothing, np.zeros(flow.size), nothing, flow)


def _drawn(seed: int, hidden: tuple[LoadTruth, ...]) -> Scene:
    """A house drawn from wide ranges, with weather, whose outage is expected to last SHORTEST_H to LONGEST_H."""
    rng = np.random.default_rng([seed, 0x2004])
    transfer_s = HISTORY_H * 3600.0
    grid_start_s = -SPIN_UP_DAYS * DAY_S
    while True:
        truth = draw_truth(Style.POWER, rng)
        pack = replace(truth.pack, reserve_percent=10.0, charge_limit=1.0)
        truth = replace(truth, pack=pack, loads=(*truth.loads, *hidden))
        day_of_year = float(rng.uniform(0.0, 365.0))
        storms = draw_storms(truth.climate, grid_start_s, transfer_s + 2.0 * DAY_S, day_of_year, rng)
        count = int((transfer_s + 3.0 * LONGEST_H * 3600.0 - grid_start_s) / GRID_S)
        rain = rain_on_grid(storms, grid_start_s, count, rng)
        inflow = inflow_from_rain(truth.catchment, rain, grid_start_s, day_of_year, rng)
        usable_wh = truth.pack.capacity_wh - truth.pack.energy_at_percent(truth.pack.reserve_percent)
        life_h = expected_life_h(truth, inflow, transfer_s, usable_wh)
        if life_h is not None and SHORTEST_H <= life_h <= LONGEST_H:
            site = nameplate(f"zoo-{seed}", truth, (), rng)
            return _lived(seed, truth, site, inflow, rain, EPOCH_MS + round(day_of_year) * int(DAY_S * 1000), rng)


def _lived(
    seed: int,
    truth: TwinParameters,
    site: Site,
    inflow: InflowTruth,
    rain: Array,
    start_ms: int,
    rng: np.random.Generator,
) -> Scene:
    """Mains, in some houses a short failure in between, and the outage until the pack is empty."""
    transfer_s, stop_s = HISTORY_H * 3600.0, inflow.start_s + GRID_S * inflow.l_per_min.size - 1.0
    edges = [(0.0, Supply.MAINS), (transfer_s, Supply.PACK)]
    if not is_exact(seed) and rng.random() < EARLIER_SHARE:
        edges[1:1] = [(12.0 * 3600.0, Supply.PACK), (12.0 * 3600.0 + float(rng.uniform(1800.0, 5400.0)), Supply.MAINS)]
    stops = [*(start for start, _ in edges[1:]), stop_s]
    spans = tuple(SupplySpan(start, stop, supply) for (start, supply), stop in zip(edges, stops, strict=True))
    house = simulate(truth, spans, inflow, truth.pack.capacity_wh, start_ms, rng)
    empty_s = house.outages[-1].empty_s
    return Scene(seed, truth, site, house, rain, start_ms, transfer_s, stop_s if empty_s is None else empty_s)
