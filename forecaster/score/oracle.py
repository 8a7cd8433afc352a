"""The oracle: knows every parameter and the present state of the water and the pack, only not the future.

It draws futures by the twin's own rules: storms of the climate (or what the weather service says, where the site has
one), reservoirs that drain, and an inflow that wobbles about its mean. Water becomes energy by the mean over cycles.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from forecaster.domain.forecast import HORIZON_H, LEVELS
from forecaster.maths.arrays import Array
from forecaster.twin.episode import Episode
from forecaster.twin.parameters import TwinParameters
from forecaster.twin.water import InflowTruth
from forecaster.twin.weather import DAY_S, Storm

STEP_H = 1.0 / 6.0
DRAWS = 400


def quantiles(drawn: Episode, at_ms: int, *, draws: int = DRAWS) -> Array:
    """Hours until the reserve floor at LEVELS, (7,) [h]; HORIZON_H where it is not reached within the horizon.

    at_ms : int — the moment asked at [UTC ms], which seeds the draws together with the episode's seed
    """
    rng = np.random.default_rng([drawn.seed, at_ms // 1000, 0x0AC1E])
    at_s = (at_ms - drawn.start_ms) / 1000.0
    pack = drawn.parameters.pack
    budget_wh = float(drawn.house.energy.at(np.array([at_s]))[0]) - pack.energy_at_percent(pack.reserve_percent)
    hours = 24.0
    while True:
        reached = _reached_h(drawn, at_s, budget_wh, hours, draws, rng)
        if hours >= HORIZON_H or np.mean(np.isfinite(reached)) > 0.97:
            return np.quantile(np.minimum(reached, HORIZON_H), LEVELS)
        hours = min(HORIZON_H, 2.0 * hours)


def _reached_h(
    drawn: Episode, at_s: float, budget_wh: float, hours: float, draws: int, rng: np.random.Generator
) -> Array:
    """Hours at which each draw has used the budget, (draws,) [h]; infinite where not within `hours`."""
    ahead = work_ahead(drawn, at_s, hours, draws, rng)
    return ahead.reached_h(prices(drawn.parameters), budget_wh)


@dataclass(frozen=True, slots=True)
class WorkAhead:
    """What the pump will do in each draw, and what else is drawn or put in whatever the pack is.

    on_h, starts : (draws, steps) — hours that the pump will have run, and starts, by the end of each step of STEP_H;
        below 0 where it owes less than the place in its cycle suggests
    other_wh : (draws, steps) — energy from the battery for what else varies, less what the sun puts in [Wh]
    """

    on_h: Array
    starts: Array
    other_wh: Array

    def reached_h(self, price: Prices, budget_wh: Array | float) -> Array:
        """Hours at which each draw has used its budget [Wh], (draws,) [h]; infinite where not within the steps.

        price, budget_wh — one for all draws, or (draws, 1) each
        """
        used = price.rest_w * (STEP_H * np.arange(1, self.on_h.shape[1] + 1)) + self.other_wh
        used = used + price.dc_run_w * np.maximum(self.on_h, 0.0) + price.dc_start_wh * np.maximum(self.starts, 0.0)
        return first_over_h(used, np.broadcast_to(budget_wh, (used.shape[0], 1))[:, 0])


def first_over_h(used_wh: Array, budget_wh: Array) -> Array:
    """Hours at which what is used, (draws, steps) [Wh], is over a budget, (draws,) [Wh]; infinite where it is not."""
    over = used_wh >= budget_wh[:, None]
    index = np.argmax(over, axis=1)
    rows = np.arange(used_wh.shape[0])
    high = used_wh[rows, index]
    low = np.where(index > 0, used_wh[rows, np.maximum(index - 1, 0)], 0.0)
    part = np.clip((budget_wh - low) / np.maximum(high - low, 1e-9), 0.0, 1.0)
    return np.where(over.any(axis=1), (index + part) * STEP_H, np.inf)


def work_ahead(drawn: Episode, at_s: float, hours: float, draws: int, rng: np.random.Generator) -> WorkAhead:
    """What the pump and the rest of the house will do from a time [s of the house] on, by the twin's own rules."""
    truth = drawn.parameters
    steps = math.ceil(hours / STEP_H)
    rain = _rain_ahead(drawn, at_s, steps, draws, rng)
    flow = _flow_ahead(truth, drawn.house.inflow, at_s, rain, rng)
    rate = truth.pump.rate_l_per_min * (1.0 - truth.pump.wear_per_day * at_s / DAY_S)
    return work_of(drawn, at_s, np.minimum(flow / rate, MOST_DUTY), rate, rng)


MOST_DUTY = 0.97
"""Greatest share of time that a pump runs, 0..1."""


def work_of(drawn: Episode, at_s: float, duty: Array, rate_l_per_min: float, rng: np.random.Generator) -> WorkAhead:
    """The work that follows from the share of time that the pump runs in each step, (draws, steps), 0..1."""
    truth, (draws, steps) = drawn.parameters, duty.shape
    lift_h = drawdown_l(truth) / (60.0 * rate_l_per_min)
    on_h = np.cumsum(duty * STEP_H, axis=1)
    starts = np.cumsum(duty * (1.0 - duty) * (STEP_H / lift_h), axis=1)
    phase = _cycle_phase(drawn, at_s, draws, rng)
    other = _loads_phase_wh(drawn, at_s, draws, rng)
    if truth.sun is not None:
        other = other - np.cumsum(_sun_ahead(truth, drawn.start_ms, at_s, steps, draws, rng) * STEP_H, axis=1)
    return WorkAhead(on_h + phase * lift_h, starts + phase, other)


@dataclass(frozen=True, slots=True)
class Prices:
    """What is drawn from the battery, as means: of one pack, or of each draw of one, (draws, 1).

    rest_w — without the pump [W]; dc_run_w — added while the pump runs [W]; dc_start_wh — added by each start [Wh]
    """

    rest_w: Array | float
    dc_run_w: Array | float
    dc_start_wh: Array | float


def prices(truth: TwinParameters) -> Prices:
    """Prices of a house: means over which of the other loads are on, each state through the inverter's curve."""
    states = [(1.0, 0.0)]
    for load in truth.loads:
        share = 1.0 if load.period_s is None else load.mean_w / load.watts
        states = [(p * q, w + on * load.watts) for p, w in states for q, on in ((share, 1.0), (1.0 - share, 0.0)) if q]
    chance = np.array([p for p, _ in states])
    loads_w = np.array([w for _, w in states])
    dc = truth.pack.inverter.dc_w
    pump = truth.pump
    running = pump.running_w * (1.0 + 0.1 * pump.sag)
    rest = dc(loads_w)
    return Prices(
        rest_w=float(chance @ rest),
        dc_run_w=float(chance @ (dc(loads_w + running) - rest)),
        dc_start_wh=float(chance @ (dc(loads_w + pump.inrush_w) - dc(loads_w + running))) * pump.inrush_s / 3600.0,
    )


def drawdown_l(truth: TwinParameters) -> float:
    """Volume between switch-on and switch-off [L]."""
    return truth.pit.area_m2 * truth.pit.drawdown_m * 1000.0


def _cycle_phase(drawn: Episode, at_s: float, draws: int, rng: np.random.Generator) -> Array:
    """Water in the pit now, less what is in it at the end (drawn), in drawdown volumes, shape (draws, 1)."""
    inflow, runs = drawn.house.inflow, drawn.house.runs
    last = int(np.searchsorted(runs.stop_s, at_s)) - 1
    since_s = float(runs.stop_s[last]) if last >= 0 else at_s
    grid = inflow.start_s + 60.0 * np.arange(inflow.cumulative_l.size)
    came = np.interp([since_s, at_s], grid, inflow.cumulative_l)
    have = min(float(came[1] - came[0]) / drawdown_l(drawn.parameters), 1.0)
    if last + 1 < runs.start_s.size and float(runs.start_s[last + 1]) < at_s:
        begun = float(runs.start_s[last + 1])
        have = 1.0 - (at_s - begun) / (float(runs.stop_s[last + 1]) - begun)
    return np.asarray(have - rng.random((draws, 1)))


def _loads_phase_wh(drawn: Episode, at_s: float, draws: int, rng: np.random.Generator) -> Array:
    """What cycling loads take beyond their mean because of where in their cycles they are, shape (draws, 1) [Wh]."""
    total = np.zeros((draws, 1))
    for load, profile in zip(drawn.parameters.loads, drawn.house.loads, strict=True):
        if load.period_s is None or load.on_s is None:
            continue
        share = load.on_s / load.period_s
        edge = max(int(np.searchsorted(profile.times_s, at_s, side="right")) - 1, 0)
        since = at_s - float(profile.times_s[edge])
        on = float(profile.values[edge]) > 0.0
        place = min(since / load.on_s, 1.0) if on else 1.0 - min(since / (load.period_s - load.on_s), 1.0)
        swing_wh = load.watts * load.on_s * (1.0 - share) / 3600.0
        ends = rng.random((draws, 1))
        then = np.where(rng.random((draws, 1)) < share, ends, 1.0 - ends)
        total += swing_wh * (then - place) / 0.9
    return total


def _rain_ahead(drawn: Episode, at_s: float, steps: int, draws: int, rng: np.random.Generator) -> Array:
    """Intensity [mm/h] in each step ahead, shape (draws, steps)."""
    climate = drawn.parameters.climate
    edges_s = np.asarray(at_s + 3600.0 * STEP_H * np.arange(steps + 1), dtype=np.float64)
    day = (drawn.start_ms / 1000.0 + at_s) / DAY_S % 365.25
    expected = climate.storms_per_day * climate.season(day) * (edges_s[-1] - at_s) / DAY_S
    counts = rng.poisson(expected, size=draws)
    new = int(counts.sum())
    going = [s for s in drawn.weather.storms if s.start_s <= at_s < s.stop_s]
    rows = np.concatenate([np.repeat(np.arange(draws), counts), np.tile(np.arange(draws), len(going))])
    start_s = np.concatenate([rng.uniform(at_s, edges_s[-1], size=new), np.full(len(going) * draws, at_s)])
    lasts_s = rng.exponential(3600.0 * climate.storm_h, size=start_s.size)
    own = rng.gamma(climate.intensity_shape, climate.intensity_mm_per_h / climate.intensity_shape, size=new)
    intensity = np.concatenate([own, np.repeat(_intensities(going), draws)])
    rain = _totals(rows, start_s, lasts_s, intensity, edges_s, draws)
    wet = rain > 0.0
    rain[wet] *= rng.gamma(2.0, 0.5, size=int(wet.sum()))  # gusts of ten minutes, as forecaster.twin.weather has them
    if drawn.outlooks:
        _tell(drawn, at_s, edges_s, rain, rng)
    return rain


def _intensities(storms: list[Storm]) -> Array:
    return np.array([s.intensity_mm_per_h for s in storms], dtype=np.float64)


def _totals(
    rows: NDArray[np.int64], start_s: Array, lasts_s: Array, intensity: Array, edges_s: Array, draws: int
) -> Array:
    """Mean intensity of each step from storms that begin and last as given, shape (draws, steps) [mm/h]."""
    fallen = np.zeros((draws, edges_s.size))
    depth = intensity[:, None] * np.clip(edges_s[None, :] - start_s[:, None], 0.0, lasts_s[:, None])
    np.add.at(fallen, rows, depth)
    return np.asarray(np.diff(fallen, axis=1) / np.diff(edges_s))


def _tell(drawn: Episode, at_s: float, edges_s: Array, rain: Array, rng: np.random.Generator) -> None:
    """Overwrite `rain` in every hour that the weather service has foretold by then: its figure with its spread."""
    at_ms = drawn.start_ms + round(1000.0 * at_s)
    said = {r.time_ms: r.value for r in drawn.outlooks if r.arrived_ms <= at_ms}
    middle_ms = drawn.start_ms + np.round(1000.0 * 0.5 * (edges_s[:-1] + edges_s[1:])).astype(np.int64)
    sigma = drawn.parameters.outlook_sigma
    common = 0.7 * sigma * rng.normal(size=rain.shape[0])
    for k, hour_ms in enumerate((middle_ms // 3_600_000 * 3_600_000).tolist()):
        told = said.get(hour_ms)
        if told is not None:
            own = 0.7 * sigma * rng.normal(size=rain.shape[0])
            rain[:, k] = told * np.exp(common + own - 0.5 * sigma**2)


def _flow_ahead(
    truth: TwinParameters, inflow: InflowTruth, at_s: float, rain: Array, rng: np.random.Generator
) -> Array:
    """Inflow in each step ahead, shape of `rain` [L/min]."""
    catchment = truth.catchment
    now = inflow.index(at_s)
    delayed = _eased(rain, catchment.delay_h, float(inflow.delayed_mm_per_h[now]))
    flow: Array = np.full(rain.shape, float(inflow.base_l_per_min[now]))
    for k, reservoir in enumerate(catchment.reservoirs):
        store = float(inflow.stores_l_per_min[k, now])
        flow += _eased(delayed * (reservoir.litres_per_mm / 60.0), reservoir.tau_h, store)
    log = np.zeros(rain.shape)
    for k, wobble in enumerate(catchment.wobbles):
        keep = math.exp(-STEP_H / wobble.tau_h)
        noise = rng.normal(0.0, wobble.sigma * math.sqrt(1.0 - keep**2), size=rain.shape)
        start = np.full((rain.shape[0], 1), float(inflow.wobbles[k, now]) * keep)
        log += lfilter([1.0], [1.0, -keep], noise, axis=1, zi=start)[0]
    log -= 0.5 * sum(w.sigma**2 for w in catchment.wobbles)
    return np.asarray(np.minimum(flow * np.exp(log), catchment.tile_l_per_min))


def _eased(inputs: Array, tau_h: float, start: float) -> Array:
    """First-order store over the steps ahead, each value the mean over its step to a good approximation."""
    keep = math.exp(-STEP_H / tau_h)
    zi = np.full((inputs.shape[0], 1), start * keep)
    ends = lfilter([1.0 - keep], [1.0, -keep], inputs, axis=1, zi=zi)[0]
    starts = np.concatenate([np.full((inputs.shape[0], 1), start), ends[:, :-1]], axis=1)
    return np.asarray(0.5 * (starts + ends))


def _sun_ahead(
    truth: TwinParameters, start_ms: int, at_s: float, steps: int, draws: int, rng: np.random.Generator
) -> Array:
    """Charging power of each step ahead, shape (draws, steps) [W], under clouds drawn anew each day."""
    sun = truth.sun
    if sun is None:
        return np.zeros((draws, steps))
    times = np.asarray(at_s + 3600.0 * STEP_H * (np.arange(steps) + 0.5), dtype=np.float64)
    day = np.floor((times - times[0]) / DAY_S).astype(int)
    taken = sun.clouds(int(day[-1]) + 1, rng, draws)[:, day]
    return np.asarray(sun.clear_w(start_ms / 1000.0 + times) * (1.0 - taken))
