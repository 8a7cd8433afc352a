"""The bound: what a forecaster with the same messages could reach if it knew how the simulated houses are drawn.

The oracle knows every parameter of the house; nobody who only reads messages can. The bound knows the ranges that the
twin draws from, and weighs what it draws from them by the messages: the water by how long the pump was told to run, the
pack by when the shown charge changed. What lies between oracle and bound cannot be known; what lies between bound and
engine is left by the engine.

The exact posterior is out of reach, and is taken apart: the pack given the energies, the water given the runs. That,
particles that are moved a little when drawn anew, and gusts and wobbles taken for normal lose something, so that a
better forecaster than this one may exist; what `heard` takes as told gains something. The ranges of lengths that the
twin accepts, and that outages begin in storms, are not used; neither does the oracle use them.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from forecaster.domain.forecast import HORIZON_H, LEVELS
from forecaster.domain.quantities import Quantity
from forecaster.maths.arrays import Array
from forecaster.score import oracle
from forecaster.score.bound.filter import MODEL_SHARE, PARTICLES, STEP_S, RainSeen, WaterFilter, drawn_of
from forecaster.score.bound.heard import measured_s, runs_heard, track_of
from forecaster.score.bound.pack import PackKnown, Packs
from forecaster.score.bound.water import Waters, draw_constants
from forecaster.twin.episode import SPIN_UP_DAYS, Episode
from forecaster.twin.weather import DAY_S

BOUND, PACK_KNOWN, WATER_KNOWN = "bound", "bound, pack known", "bound, water known"
DRAWS = 1000
ISLANDS = 4
"""Filters of the water that know nothing of each other, of which each gives as many draws: where one has lost its way
among unlikely particles, the others have not, or have lost another one."""

OUTLOOK_SIGMA = (0.25, 0.6)


@dataclass(frozen=True, slots=True)
class BoundSaid:
    """What the bound says at one moment.

    hours : by BOUND, PACK_KNOWN and WATER_KNOWN, hours until the reserve floor at LEVELS, (7,) [h]
    effective : float — the least number of effective particles of the water since the moment before
    powers : int — steps that the tempering of the pack's took; accepted : float — share of its last moves taken, 0..1
    """

    hours: dict[str, Array]
    effective: float
    powers: int
    accepted: float


class Bound:
    """The bound of one episode, asked at moments in order. seed : int — another one gives an independent run."""

    def __init__(self, drawn: Episode, seed: int = 0, particles: int = PARTICLES) -> None:
        self.drawn, self._seed = drawn, seed
        rng = self._rng(0)
        self.heard = runs_heard(drawn)
        self._rain = _gauge(drawn)
        self._place = 1
        start_s, day = -SPIN_UP_DAYS * DAY_S, _day_of_year(drawn)
        self.islands = [
            WaterFilter(draw_constants(particles // ISLANDS, rng), start_s, day, rng) for _ in range(ISLANDS)
        ]
        for water in self.islands:
            water.spin_up(float(self.heard.times_s[0]))

    def _rng(self, at_ms: int) -> np.random.Generator:
        return np.random.default_rng([self.drawn.seed, at_ms // 1000, self._seed, 0xB0D])

    def at(self, at_ms: int) -> BoundSaid:
        """What can be known at a time [UTC ms], no earlier than the one before."""
        at_s = (at_ms - self.drawn.start_ms) / 1000.0
        rng = self._rng(at_ms)
        water = self.water_at(at_s, rng)
        packs = PackKnown(self.drawn, self.heard, at_s).draws(DRAWS, rng)
        known = _pack_of_truth(self.drawn, at_s)
        unsure = _Ahead(_WaterAhead(self.drawn, water, at_s, rng).work)
        sure = _Ahead(lambda hours: oracle.work_ahead(self.drawn, at_s, hours, DRAWS, rng))
        said = {BOUND: unsure.quantiles(packs), PACK_KNOWN: unsure.quantiles(known), WATER_KNOWN: sure.quantiles(packs)}
        return BoundSaid(said, sum(w.fewest_effective() for w in self.islands), packs.powers, packs.accepted)

    def _listen(self, at_s: float) -> None:
        """Bring the water to a time [s of the house], by all that was told of the pump's work until then."""
        heard = self.heard
        while self._place < heard.times_s.size and heard.times_s[self._place] <= at_s:
            worked_s = float(heard.on_s[self._place] - heard.on_s[self._place - 1])
            for water in self.islands:
                self._go(water, float(heard.times_s[self._place]))
                water.gap_s = water.gap_s - worked_s
                water.observe(
                    float(heard.drift_s2[self._place]) + (MODEL_SHARE * worked_s) ** 2,
                    float(heard.error_s2[self._place]),
                )
                water.renew()
            self._place += 1
        for water in self.islands:
            self._go(water, at_s)

    def _go(self, water: WaterFilter, until_s: float) -> None:
        """Let an island of the water go on to a time [s of the house]."""
        from_s = water.at_s
        steps = max(math.ceil((until_s - from_s) / STEP_S), 1)
        step_s = (until_s - from_s) / steps
        for _ in range(steps if step_s > 0.0 else 0):
            rain = None if self._rain is None else self._rain.between(water.at_s, water.at_s + step_s)
            water.hear(step_s, rain)

    def water_at(self, at_s: float, rng: np.random.Generator) -> Waters:
        """Draws of the water at a time [s of the house]; a gauge tells whether it rains, and how hard."""
        self._listen(at_s)
        water = drawn_of(self.islands, DRAWS, rng)
        if self._rain is not None:
            water.state.storms = _storm_going_on(self._rain, at_s, DRAWS, rng)
        return water


def _day_of_year(drawn: Episode) -> float:
    """Day of the year at time 0 of the house."""
    return drawn.start_ms / 1000.0 / DAY_S % 365.25


def _pack_of_truth(drawn: Episode, at_s: float) -> Packs:
    """The true pack at a time [s of the house], for every draw."""
    pack = drawn.parameters.pack
    left_wh = float(drawn.house.energy.at(np.array([at_s]))[0])
    budget_wh = left_wh - pack.energy_at_percent(pack.reserve_percent)
    return Packs(oracle.prices(drawn.parameters), np.full((DRAWS, 1), budget_wh), 0, 1.0)


def _gauge(drawn: Episode) -> RainSeen | None:
    """What the house's rain gauge measured; None where it has none."""
    track = track_of(drawn, Quantity.RAIN_DEPTH)
    if track is None:
        return None
    times, order = np.unique(measured_s(drawn, track), return_index=True)
    return RainSeen(times, track.value[order] * (3600.0 / track.sensor.every_s), track.sensor.every_s)


WET_S = 1800.0
"""A gauge that has not tipped for so long says that it is dry [s]."""


def _storm_going_on(rain: RainSeen, at_s: float, draws: int, rng: np.random.Generator) -> Array:
    """Own intensity of the storm that goes on by the gauge [mm/h], (SLOTS, draws): its mean so far, less its gusts."""
    storms = np.zeros((2, draws))
    tips = rain.until_s[(rain.until_s <= at_s) & (rain.mm_per_h > 0.0)]
    if not tips.size or at_s - tips[-1] > WET_S:
        return storms
    breaks = np.flatnonzero(np.diff(tips) > 2.0 * WET_S)
    since_s = float(tips[breaks[-1] + 1] if breaks.size else tips[0])
    lasted_s = max(at_s - since_s, 600.0)
    fallen = (rain.until_s > at_s - lasted_s) & (rain.until_s <= at_s)
    mean = float(rain.mm_per_h[fallen].mean())
    shape = 2.0 * max(lasted_s / 600.0, 1.0)
    storms[0] = mean / rng.gamma(shape, 1.0 / shape, size=draws)
    return storms


class _WaterAhead:
    """Draws of the water that go on as far as they are asked for."""

    def __init__(self, drawn: Episode, water: Waters, at_s: float, rng: np.random.Generator) -> None:
        self._drawn, self._water, self._at_s, self._rng = drawn, water, at_s, rng
        self._told = _rain_told(drawn, at_s)
        self._sigma = rng.uniform(*OUTLOOK_SIGMA, size=DRAWS)
        self._common = 0.7 * self._sigma * rng.normal(size=DRAWS)
        self._duty: list[Array] = []

    def work(self, hours: float) -> oracle.WorkAhead:
        """What the pump will do in so many hours."""
        step_s = 3600.0 * oracle.STEP_H
        while len(self._duty) < math.ceil(hours / oracle.STEP_H):
            self._duty.append(self._water.step(step_s, self._rain(self._water.at_s + 0.5 * step_s)))
        pump = self._drawn.parameters.pump
        rate = pump.rate_l_per_min * (1.0 - pump.wear_per_day * self._at_s / DAY_S)
        duty = np.minimum(np.stack(self._duty, axis=1), oracle.MOST_DUTY)
        return oracle.work_of(self._drawn, self._at_s, duty, rate, self._rng)

    def _rain(self, at_s: float) -> Array | None:
        """Rain that the weather service has told for a time, with its error, (draws,) [mm/h]; None where it has not."""
        hour_ms = (self._drawn.start_ms + round(1000.0 * at_s)) // 3_600_000 * 3_600_000
        told = self._told.get(hour_ms)
        if told is None:
            return None
        own = 0.7 * self._sigma * self._rng.normal(size=DRAWS)
        return np.asarray(told * np.exp(self._common + own - 0.5 * self._sigma**2))


def _rain_told(drawn: Episode, at_s: float) -> dict[int, float]:
    """What the weather service has told by a time, by the hour's start [UTC ms], the newest of each [mm]."""
    at_ms = drawn.start_ms + round(1000.0 * at_s)
    return {r.time_ms: r.value for r in drawn.outlooks if r.arrived_ms <= at_ms}


class _Ahead:
    """Draws of the pump's work ahead, made as far as packs need them."""

    def __init__(self, work: Callable[[float], oracle.WorkAhead]) -> None:
        self._work = work
        self._hours = 24.0
        self._made = work(self._hours)

    def quantiles(self, packs: Packs) -> Array:
        """Hours until each pack has used its budget, at LEVELS, (7,) [h]."""
        while True:
            reached = self._made.reached_h(packs.price, packs.budget_wh)
            if self._hours >= HORIZON_H or np.mean(np.isfinite(reached)) > 0.97:
                return np.quantile(np.minimum(reached, HORIZON_H), LEVELS)
            self._hours = min(HORIZON_H, 2.0 * self._hours)
            self._made = self._work(self._hours)
