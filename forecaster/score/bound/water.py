"""The water of many houses at once: the twin's own catchments, storms and wobbles, going on by its rules.

Each particle is a catchment with its climate, drawn by the twin's own functions, and a state: storms, reservoirs and
wobbles. Flows are in units of the pump's rate, so that a flow is the share of time that the pump runs.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from forecaster.maths.arrays import Array
from forecaster.twin.draw import draw_catchment, draw_climate, draw_pump
from forecaster.twin.weather import DAY_S

SPIN_UP_STEP_S = 3600.0
SLOTS = 2
"""Storms that a particle can have at once."""

GUST_S, GUST_SHAPE = 600.0, 2.0
"""How long a gust of a storm lasts [s], and the shape of its gamma distribution."""


class Constants(NamedTuple):
    """What does not change of each particle, every field (N,): logarithms, and the two angles as they are.

    Flows in units of the pump's rate, reservoirs per mm/h of rain, times in hours, storms per day.
    """

    base: Array
    swing: Array
    peak_day: Array
    fast: Array
    middle: Array
    slow: Array
    fast_h: Array
    middle_h: Array
    slow_h: Array
    delay_h: Array
    wobble_h: Array
    wobble: Array
    wobble_2_h: Array
    wobble_2: Array
    wobble_3_h: Array
    wobble_3: Array
    tile: Array
    storms_per_day: Array
    storm_h: Array
    intensity: Array
    wet_swing: Array
    wet_peak_day: Array


CLIMATE = slice(Constants._fields.index("storms_per_day"), len(Constants._fields))
_PLAIN = [Constants._fields.index(name) for name in ("swing", "peak_day", "wet_swing", "wet_peak_day")]


def draw_constants(count: int, rng: np.random.Generator) -> Array:
    """The constants of so many houses, by the twin's own functions, (fields, count); logarithms but for `_PLAIN`."""
    unit = replace(draw_pump(rng), rate_l_per_min=1.0)
    rows = []
    for _ in range(count):
        climate = draw_climate(rng)
        c = draw_catchment(unit, climate, rng)
        stores = [r.litres_per_mm / 60.0 for r in c.reservoirs]
        rows.append((
            c.base_l_per_min, c.base_swing, c.base_peak_day, *stores, *(r.tau_h for r in c.reservoirs), c.delay_h,
            *(x for w in c.wobbles for x in (w.tau_h, w.sigma)), c.tile_l_per_min, climate.storms_per_day,
            climate.storm_h, climate.intensity_mm_per_h, climate.wet_swing, climate.wet_peak_day,
        ))  # fmt: skip
    found = np.asarray(rows).T.copy()
    logs = [k for k in range(found.shape[0]) if k not in _PLAIN]
    found[logs] = np.log(found[logs])
    return found


@dataclass(slots=True)
class State:
    """What changes of each particle, every field with the particles last.

    delayed — rain after the delay [mm/h]; stores (3, N), wobbles (3, N) — flows, and logarithms of factors
    storms (SLOTS, N) — own intensity of each storm that goes on [mm/h], 0: none
    """

    delayed: Array
    stores: Array
    wobbles: Array
    storms: Array

    def taken(self, index: np.ndarray) -> State:
        """The particles of an index array."""
        return State(*(x[..., index] for x in self._parts()))

    def _parts(self) -> tuple[Array, ...]:
        return self.delayed, self.stores, self.wobbles, self.storms

    @staticmethod
    def joined(states: Sequence[State]) -> State:
        """The particles of several states as one."""
        parts = zip(*(state._parts() for state in states), strict=True)
        return State(*(np.concatenate(part, axis=-1) for part in parts))


@dataclass(frozen=True, slots=True)
class Rain:
    """Rain of a step, before its gusts: mean, and the variance of that, (N,) each; shape : float — of its gusts' mean.

    The variance is that of when within the step a storm began or ended.
    """

    mean: Array
    spread2: Array
    shape: float


class Kept(NamedTuple):
    """Shares that a step leaves: of delay (N,), stores and wobbles (3, N); their means over it, as shares of before."""

    delay: Array
    stores: Array
    wobbles: Array
    mean_delay: Array
    mean_stores: Array


class Waters:
    """Particles that go on by the twin's rules, everything of them drawn.

    constants : (fields, N) as `draw_constants` gives them; day_of_year : float — of time 0
    state : State | None — None: dry, and wobbling at random
    """

    def __init__(
        self,
        constants: Array,
        start_s: float,
        day_of_year: float,
        rng: np.random.Generator,
        state: State | None = None,
    ) -> None:
        count = constants.shape[1]
        nothing = np.zeros((3, count))
        self.at_s, self.day_of_year, self.rng = start_s, day_of_year, rng
        self.state = state or State(np.zeros(count), nothing, nothing.copy(), np.zeros((SLOTS, count)))
        self.log_weight = np.zeros(count)
        self.set_constants(constants)
        if state is None:
            self.state.wobbles = self.sigma * rng.normal(size=(3, count))

    def set_constants(self, constants: Array) -> None:
        """Give the particles other constants."""
        self.constants = constants
        natural = constants.copy()
        logs = [k for k in range(natural.shape[0]) if k not in _PLAIN]
        natural[logs] = np.exp(natural[logs])
        self.has = c = Constants(*natural)
        self.sigma = np.stack([c.wobble, c.wobble_2, c.wobble_3])
        self._tau_s = 3600.0 * np.stack([c.wobble_h, c.wobble_2_h, c.wobble_3_h])
        self._store_s = 3600.0 * np.stack([c.fast_h, c.middle_h, c.slow_h])
        self.share = np.stack([c.fast, c.middle, c.slow])
        self._kept: dict[float, Kept] = {}

    def spin_up(self, until_s: float) -> None:
        """Live unheard until a time [s]."""
        while self.at_s < until_s - 1.0:
            self.step(min(SPIN_UP_STEP_S, until_s - self.at_s))

    def keeps(self, step_s: float) -> Kept:
        """What a step leaves of delay, stores and wobbles."""
        key = round(step_s)
        if key not in self._kept:
            if len(self._kept) > 4:
                self._kept.clear()
            delay, stores = step_s / (3600.0 * self.has.delay_h), step_s / self._store_s
            self._kept[key] = Kept(
                np.exp(-delay), np.exp(-stores), np.exp(-step_s / self._tau_s), -np.expm1(-delay) / delay,
                -np.expm1(-stores) / stores,
            )  # fmt: skip
        return self._kept[key]

    def step(self, step_s: float, rain: Array | float | None = None) -> Array:
        """Go on by a step [s]; rain [mm/h] where known. Returns the mean share of time that the pump runs, (N,)."""
        own = self.weather(step_s)
        fallen = self._gusty(own) if rain is None else np.broadcast_to(rain, own.mean.shape)
        keeps, was = self.keeps(step_s), self.state.wobbles
        noise = self.rng.normal(size=was.shape)
        self.state.wobbles = keeps.wobbles * was + self.sigma * np.sqrt(1.0 - keeps.wobbles**2) * noise
        stored = self.fill(fallen, keeps)
        self.at_s += step_s
        factor = np.exp((0.5 * (was + self.state.wobbles) - 0.5 * self.sigma**2).sum(axis=0))
        return np.asarray(np.minimum((self.base() + stored) * factor, self.has.tile))

    def _gusty(self, rain: Rain) -> Array:
        """Rain with its gusts drawn [mm/h], (N,)."""
        fallen = rain.mean.copy()
        wet = np.flatnonzero(fallen)
        if wet.size:
            fallen[wet] *= self.rng.gamma(rain.shape, 1.0 / rain.shape, size=wet.size)
        return fallen

    def fill(self, rain: Array, keeps: Kept) -> Array:
        """Rain [mm/h] goes through delay and stores for a step. Returns the mean flow from the stores, (N,)."""
        state = self.state
        delayed = rain + (state.delayed - rain) * keeps.mean_delay
        state.delayed = rain + (state.delayed - rain) * keeps.delay
        full = self.share * delayed
        flow = full + (state.stores - full) * keeps.mean_stores
        state.stores = full + (state.stores - full) * keeps.stores
        return np.asarray(flow.sum(axis=0))

    def weather(self, step_s: float, eager: float = 1.0) -> Rain:
        """Storms begin and end within the step; the rain in it.

        eager : float — how many times as often as in the climate a storm is proposed to begin; weighted down for it
        """
        rng, storms, has = self.rng, self.state.storms, self.has
        count = storms.shape[1]
        ends = rng.random(storms.shape) < -np.expm1(-step_s / (3600.0 * has.storm_h))
        mean = (storms * np.where(ends, 0.5, 1.0)).sum(axis=0)
        spread2 = (storms**2 * ends).sum(axis=0) / 12.0
        storms = np.where(ends, 0.0, storms)
        angle = 2.0 * np.pi * (self.day_of_year + self.at_s / DAY_S - has.wet_peak_day) / 365.25
        expected = has.storms_per_day * (1.0 + has.wet_swing * np.cos(angle)) * (step_s / DAY_S)
        begins = rng.random(count) < -np.expm1(-eager * expected)
        if eager != 1.0:
            rarer = np.log(np.expm1(-expected) / np.expm1(-eager * expected))
            self.log_weight += np.where(begins, rarer, (eager - 1.0) * expected)
        new = np.flatnonzero(begins & (storms.min(axis=0) == 0.0))
        if new.size:
            own = rng.gamma(1.6, has.intensity[new] / 1.6)
            storms[storms[:, new].argmin(axis=0), new] = own
            mean[new] += 0.5 * own
            spread2[new] += own**2 / 12.0
        self.state.storms = storms
        return Rain(mean, spread2, GUST_SHAPE * max(round(step_s / GUST_S), 1))

    def base(self) -> Array:
        """Base flow of each particle, (N,), in units of the pump's rate."""
        angle = 2.0 * np.pi * (self.day_of_year + self.at_s / DAY_S - self.has.peak_day) / 365.25
        return np.asarray(self.has.base * (1.0 + self.has.swing * np.cos(angle)))

    def factor(self) -> Array:
        """What the wobbles make of the flow of each particle, (N,)."""
        return np.asarray(np.exp((self.state.wobbles - 0.5 * self.sigma**2).sum(axis=0)))

    def flow(self) -> Array:
        """Flow of each particle as it is, (N,), in units of the pump's rate."""
        return np.asarray((self.base() + self.state.stores.sum(axis=0)) * self.factor())
