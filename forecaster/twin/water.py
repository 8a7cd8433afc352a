"""Water: linear reservoirs turn rain into inflow, and the pit turns inflow into pump runs."""

from __future__ import annotations

import math
from bisect import bisect_left
from dataclasses import dataclass

import numpy as np
from scipy.signal import lfilter

from forecaster.maths.arrays import Array
from forecaster.twin.parameters import Catchment, PitTruth, PumpTruth
from forecaster.twin.weather import DAY_S, GRID_S


@dataclass(frozen=True, slots=True)
class InflowTruth:
    """Inflow on the grid of GRID_S, with the state of the catchment behind it.

    start_s : float — time of the first grid point [s on the episode's own time]
    l_per_min : (N,) — inflow in each step [L/min]
    cumulative_l : (N + 1,) — water that came in since start_s, at each grid point [L]
    stores_l_per_min : (K, N) — outflow of each reservoir at each grid point [L/min]
    delayed_mm_per_h : (N,) — rain after the delay [mm/h]
    wobbles : (W, N) — logarithm of each wobble's factor
    base_l_per_min : (N,) — ground water [L/min]
    """

    start_s: float
    l_per_min: Array
    cumulative_l: Array
    stores_l_per_min: Array
    delayed_mm_per_h: Array
    wobbles: Array
    base_l_per_min: Array

    def index(self, at_s: float) -> int:
        """The grid step that a time [s] falls into; the first or last one for times outside the grid."""
        return min(max(int((at_s - self.start_s) / GRID_S), 0), self.l_per_min.size - 1)


def _store(inputs: Array, tau_s: float, start: float = 0.0) -> Array:
    """A first-order store: each output is its state at the end of the step, in the unit of the input.

    tau_s : float — time constant [s]
    start : float — state at the beginning
    """
    keep = math.exp(-GRID_S / tau_s)
    out, _ = lfilter([1.0 - keep], [1.0, -keep], inputs, zi=[start * keep])
    return np.asarray(out, dtype=np.float64)


def wobble_path(tau_s: float, sigma: float, count: int, rng: np.random.Generator) -> Array:
    """A stationary Ornstein-Uhlenbeck path on the grid, (count,).

    tau_s : float — correlation time [s]
    sigma : float — standard deviation
    """
    keep = math.exp(-GRID_S / tau_s)
    noise = rng.normal(0.0, sigma * math.sqrt(1.0 - keep**2), size=count)
    out, _ = lfilter([1.0], [1.0, -keep], noise, zi=[rng.normal(0.0, sigma) * keep])
    return np.asarray(out, dtype=np.float64)


def inflow_from_rain(
    catchment: Catchment, rain_mm_per_h: Array, start_s: float, day_of_year: float, rng: np.random.Generator
) -> InflowTruth:
    """Inflow from rain. The reservoirs begin empty, so the rain should begin weeks before the inflow matters.

    rain_mm_per_h : (N,) — rain in each grid step [mm/h]
    start_s : float — time of the first grid point [s on the episode's own time]
    day_of_year : float — that of time 0
    """
    count = rain_mm_per_h.size
    delayed = _store(rain_mm_per_h, catchment.delay_h * 3600.0)
    stores = np.stack([
        _store(delayed * (r.litres_per_mm / 60.0), r.tau_h * 3600.0) for r in catchment.reservoirs
    ])  # fmt: skip
    wobbles = np.stack([wobble_path(w.tau_h * 3600.0, w.sigma, count, rng) for w in catchment.wobbles])
    days = day_of_year + (start_s + GRID_S * np.arange(count)) / DAY_S
    season = catchment.base_swing * np.cos(2.0 * np.pi * (days - catchment.base_peak_day) / 365.25)
    base = catchment.base_l_per_min * (1.0 + season)
    factor = np.exp(wobbles.sum(axis=0) - 0.5 * sum(w.sigma**2 for w in catchment.wobbles))
    flow = np.minimum((base + stores.sum(axis=0)) * factor, catchment.tile_l_per_min)
    cumulative = np.concatenate([[0.0], np.cumsum(flow * (GRID_S / 60.0))])
    return InflowTruth(start_s, flow, cumulative, stores, delayed, wobbles, base)


@dataclass(frozen=True, slots=True)
class Runs:
    """Pump runs in order, and the water left at the end.

    start_s, stop_s : (R,) — start and stop of each run [s]
    end_volume_l : float — water above the nominal stop level at the end of the span [L]
    running : bool — whether the last run was cut by the end of the span
    """

    start_s: Array
    stop_s: Array
    end_volume_l: float
    running: bool


class _Cumulative:
    """The cumulative inflow as a function of time, and its inverse. The inverse must be asked in rising order."""

    def __init__(self, inflow: InflowTruth) -> None:
        self.start_s = inflow.start_s
        self.water = inflow.cumulative_l.tolist()
        self.last = len(self.water) - 1
        self.at = 0

    def litres(self, time_s: float) -> float:
        place = (time_s - self.start_s) / GRID_S
        low = min(int(place), self.last - 1)
        here = float(self.water[low])
        return here + (place - low) * (float(self.water[low + 1]) - here)

    def when(self, litres: float) -> float:
        """Time [s] at which the water since the start reaches `litres`; infinite beyond the grid."""
        high = bisect_left(self.water, litres, lo=self.at)
        if high > self.last:
            return math.inf
        if high == 0:
            return self.start_s
        self.at = high - 1
        below, above = float(self.water[high - 1]), float(self.water[high])
        return self.start_s + GRID_S * (high - 1 + (litres - below) / (above - below))


def pump_runs(
    inflow: InflowTruth,
    pit: PitTruth,
    pump: PumpTruth,
    start_s: float,
    stop_s: float,
    volume_l: float,
    rng: np.random.Generator,
    running: bool = False,
) -> Runs:
    """Runs in [start_s, stop_s) with the pump powered throughout. Water is conserved exactly.

    The levels of switching on and off vary from cycle to cycle by the float's slop.
    volume_l : float — water above the nominal stop level at start_s [L]
    running : bool — whether the pump was running just before, so that it goes on at once
    """
    water = _Cumulative(inflow)
    drawdown_l = pit.area_m2 * pit.drawdown_m * 1000.0
    litres_per_m = pit.area_m2 * 1000.0
    starts: list[float] = []
    stops: list[float] = []
    at_s, volume = start_s, volume_l
    slops = rng.normal(0.0, 1.0, size=(4096, 2)).tolist()
    while True:
        slop_on, slop_off = slops[len(starts) % 4096]
        on_l = drawdown_l + litres_per_m * pit.slop_on_m * slop_on
        off_l = min(litres_per_m * pit.slop_off_m * slop_off, 0.6 * on_l)
        have = water.litres(at_s)
        begin = at_s if running or volume >= on_l else water.when(have + on_l - volume)
        if begin >= stop_s:
            return _finish(starts, stops, volume + water.litres(stop_s) - have, False)
        volume += water.litres(begin) - have
        rate_l_per_s = pump.rate_l_per_min * (1.0 - pump.wear_per_day * begin / DAY_S) / 60.0
        run_s, flowed = _run_length(water, begin, volume - off_l, rate_l_per_s, stop_s)
        starts.append(begin)
        at_s = min(begin + run_s, stop_s)
        stops.append(at_s)
        running = begin + run_s >= stop_s
        if running:
            volume += water.litres(stop_s) - water.litres(begin) - rate_l_per_s * (stop_s - begin)
            return _finish(starts, stops, volume, running)
        volume += flowed - rate_l_per_s * run_s


def _run_length(
    water: _Cumulative, begin_s: float, lift_l: float, rate_l_per_s: float, stop_s: float
) -> tuple[float, float]:
    """Length of a run [s] that lifts `lift_l` [L] and what flows in meanwhile, and that inflow [L].

    A run that reaches stop_s is cut there; its inflow is given as 0.
    """
    here = water.litres(begin_s)
    run_s = lift_l / rate_l_per_s
    for _ in range(6):
        if begin_s + run_s >= stop_s:
            return stop_s - begin_s, 0.0
        meanwhile_l_per_s = min((water.litres(begin_s + run_s) - here) / run_s, 0.97 * rate_l_per_s)
        better_s = lift_l / (rate_l_per_s - meanwhile_l_per_s)
        if abs(better_s - run_s) < 1e-3:
            break
        run_s = better_s
    return run_s, water.litres(begin_s + run_s) - here


def _finish(starts: list[float], stops: list[float], volume_l: float, running: bool) -> Runs:
    return Runs(np.asarray(starts, dtype=np.float64), np.asarray(stops, dtype=np.float64), volume_l, running)
