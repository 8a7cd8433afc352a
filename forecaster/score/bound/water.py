"""What a forecaster could know of the water: a particle filter over the twin's own catchments, storms and wobbles.

Each particle is a catchment with its climate, drawn by the twin's own functions, and a state: storms, reservoirs and
wobbles, which go on by the twin's rules. Flows are in units of the pump's rate, so that a flow is the share of time
that the pump runs. Particles are weighted by how long the pump was told to run from moment to moment. When few carry
the weight they are drawn anew, each with its constants and flows moved a little so that their mean and covariance stay
(Liu and West 2001, Combined parameter and state estimation in simulation-based filtering, chapter 10 of Sequential
Monte Carlo Methods in Practice; from memory). Of the climate, of which a few days tell little, they get another at
random, and a few begin anew with other constants and the flow that they had: without them a filter that a storm has led
astray stays there. Storms are proposed more often than they come, and weighted down for it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from forecaster.maths.arrays import Array
from forecaster.twin.draw import draw_catchment, draw_climate, draw_pump
from forecaster.twin.weather import DAY_S

PARTICLES = 6000
STEP_S = 900.0
"""Longest step of the filter [s]."""

SPIN_UP_STEP_S = 3600.0
KEEP = 0.99
"""How much of a particle's own constants is kept when it is drawn anew, 0..1; the rest is their mean."""

BORN = 0.03
"""Share of the particles that begin anew with other constants whenever they are drawn anew, 0..1."""

LEAST_ESS = 0.5
"""Effective share of the particles below which they are drawn anew, 0..1."""

FEWEST, MOST_DOUBLINGS = 0.05, 40
"""Effective share of the particles that one moment must leave, and how often its variance is doubled for that."""

EAGER = 4.0
"""How many times as often as in the climate a storm is proposed to begin."""

DRY = 1e-6
"""Flow from a reservoir that is as good as none, in units of the pump's rate."""

SLOTS = 2
"""Storms that a particle can have at once."""

GUST_S = 600.0
MODEL_SHARE = 0.01
"""Error of the steps' sums as a share of the pump's work."""


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


_CLIMATE = slice(Constants._fields.index("storms_per_day"), len(Constants._fields))
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
class RainSeen:
    """Rain that a gauge measured, or that is told ahead: (S,) ends of spans [s] and the mean in each [mm/h].

    NaN: not known.
    """

    until_s: Array
    mm_per_h: Array

    def between(self, from_s: float, to_s: float) -> float | None:
        """Mean of the spans that end in (from_s, to_s] [mm/h]; None where nothing is known."""
        low, high = np.searchsorted(self.until_s, [from_s, to_s], side="right")
        known = self.mm_per_h[low:high]
        known = known[~np.isnan(known)]
        return float(known.mean()) if known.size else None


class WaterFilter:
    """The particles, from long before the history on.

    constants : (fields, N) as `draw_constants` gives them; day_of_year : float — of time 0
    state : State | None — None: dry, and wobbling at random
    born : float — share of the particles that begin anew whenever they are drawn anew, 0..1
    """

    def __init__(
        self,
        constants: Array,
        start_s: float,
        day_of_year: float,
        rng: np.random.Generator,
        state: State | None = None,
        *,
        born: float = BORN,
    ) -> None:
        self._low, self._high = constants.min(axis=1, keepdims=True), constants.max(axis=1, keepdims=True)
        self._first, self._born = constants.copy(), born
        count = constants.shape[1]
        nothing = np.zeros((3, count))
        self.at_s, self.day_of_year, self._rng = start_s, day_of_year, rng
        self.state = state or State(np.zeros(count), nothing, nothing.copy(), np.zeros((SLOTS, count)))
        self.log_weight = np.zeros(count)
        self.gap_s = np.zeros(count)
        self.gap_s2 = 0.0
        self.least_effective = float(count)
        self._set(constants)
        if state is None:
            self.state.wobbles = self._sigma * rng.normal(size=(3, count))

    def _set(self, constants: Array) -> None:
        self.constants = constants
        natural = constants.copy()
        logs = [k for k in range(natural.shape[0]) if k not in _PLAIN]
        natural[logs] = np.exp(natural[logs])
        self.has = c = Constants(*natural)
        self._sigma = np.stack([c.wobble, c.wobble_2, c.wobble_3])
        self._tau_s = 3600.0 * np.stack([c.wobble_h, c.wobble_2_h, c.wobble_3_h])
        self._store_s = 3600.0 * np.stack([c.fast_h, c.middle_h, c.slow_h])
        self._share = np.stack([c.fast, c.middle, c.slow])
        self._kept: dict[float, tuple[Array, ...]] = {}

    def spin_up(self, until_s: float) -> None:
        """Live unheard until a time [s]."""
        while self.at_s < until_s - 1.0:
            self.step(min(SPIN_UP_STEP_S, until_s - self.at_s))

    def _keeps(self, step_s: float) -> tuple[Array, ...]:
        """Shares of delay, stores and wobbles that are left after a step."""
        key = round(step_s)
        if key not in self._kept:
            if len(self._kept) > 4:
                self._kept.clear()
            self._kept[key] = (
                np.exp(-step_s / (3600.0 * self.has.delay_h)), np.exp(-step_s / self._store_s),
                np.exp(-step_s / self._tau_s),
            )  # fmt: skip
        return self._kept[key]

    def step(self, step_s: float, rain: Array | float | None = None, eager: float = 1.0) -> Array:
        """Go on by a step [s]; rain [mm/h] where it is known. Returns the mean share of time that the pump runs, (N,).

        eager : float — how many times as often as in the climate a storm is proposed to begin
        """
        own = self._weather(step_s, eager)
        fallen = own if rain is None else rain
        delay, stores, wobbles = self._keeps(step_s)
        state, was = self.state, self.state.delayed
        state.delayed = fallen * (1.0 - delay) + was * delay
        full = self._share * (0.5 * (was + state.delayed))
        before = state.stores
        state.stores = full * (1.0 - stores) + before * stores
        noise = self._rng.normal(size=before.shape)
        was_wobbling = state.wobbles
        state.wobbles = wobbles * was_wobbling + self._sigma * np.sqrt(1.0 - wobbles**2) * noise
        self.at_s += step_s
        factor = np.exp((0.5 * (was_wobbling + state.wobbles) - 0.5 * self._sigma**2).sum(axis=0))
        stored = 0.5 * (before + state.stores).sum(axis=0)
        return np.asarray(np.minimum((self._base() + stored) * factor, self.has.tile))

    def _weather(self, step_s: float, eager: float) -> Array:
        """Storms begin and end within the step; the rain in it [mm/h], (N,)."""
        rng, storms, has = self._rng, self.state.storms, self.has
        count = storms.shape[1]
        ends = rng.random(storms.shape) < -np.expm1(-step_s / (3600.0 * has.storm_h))
        rain = (storms * np.where(ends, 0.5, 1.0)).sum(axis=0)
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
            rain[new] += 0.5 * own
        self.state.storms = storms
        wet = np.flatnonzero(rain)
        if wet.size:
            shape = 2.0 * max(round(step_s / GUST_S), 1)
            rain[wet] *= rng.gamma(shape, 1.0 / shape, size=wet.size)
        return np.asarray(rain)

    def observe(self, drift_s2: float, error_s2: float) -> None:
        """Weight by what was told of the pump's work: `gap_s` is what each particle would have it more than was told.

        Where that would leave fewer than FEWEST effective particles it is believed less; what is not believed yet stays
        in the gap, and tells at the next moment.
        drift_s2, error_s2 : float — variance that the telling gained since the last time, and at this moment alone [s²]
        """
        prior_s2 = self.gap_s2 + drift_s2
        whole_s2 = prior_s2 + error_s2
        for _ in range(MOST_DOUBLINGS):
            found = self.log_weight - 0.5 * self.gap_s**2 / whole_s2
            if _effective(found) >= FEWEST * found.size:
                break
            whole_s2 *= 2.0
        self.log_weight = found
        self.least_effective = min(self.least_effective, _effective(found))
        gain = prior_s2 / whole_s2
        self.gap_s = self.gap_s * (1.0 - gain)
        self.gap_s2 = prior_s2 * (1.0 - gain)

    def weights(self) -> Array:
        """Weights of the particles, (N,), together 1."""
        return _normed(self.log_weight)

    def renew(self) -> None:
        """Draw the particles anew where few carry the weight."""
        weight = self.weights()
        if _effective(self.log_weight) >= LEAST_ESS * weight.size:
            return
        index = picked(weight, weight.size, self._rng)
        known = np.concatenate([self.constants, self.state.wobbles, np.log(self.state.stores + DRY), self.gap_s[None]])
        moved = self._moved(known, weight, index)
        self.state = self.state.taken(index)
        self.log_weight = np.zeros(weight.size)
        fixed, wobbles, stores, gap = np.split(moved, np.cumsum([len(self.constants), 3, 3]))
        fixed = np.clip(fixed, self._low, self._high)
        fixed[_CLIMATE] = self._first[_CLIMATE][:, self._rng.integers(weight.size, size=weight.size)]
        self._set(fixed)
        self.state.wobbles, self.state.stores, self.gap_s = wobbles, np.exp(stores) - DRY, gap[0]
        self.begin_anew()

    def begin_anew(self) -> None:
        """Give a few particles the constants and wobbles of houses drawn at first, and stores that leave their flow.

        So a filter that has lost its way, or forgot what it can no longer tell, can still find out.
        """
        rng, count = self._rng, self.log_weight.size
        some = rng.permutation(count)[: round(self._born * count)]
        flow = self.flow()[some]
        fixed = self.constants.copy()
        fixed[:, some] = self._first[:, rng.integers(count, size=some.size)]
        self._set(fixed)
        wobbles = self._sigma[:, some] * rng.normal(size=(3, some.size))
        factor = np.exp((wobbles - 0.5 * self._sigma[:, some] ** 2).sum(axis=0))
        stored = np.maximum(flow / factor - self._base()[some], 0.0)
        parts = rng.exponential(size=(3, some.size))
        self.state.wobbles[:, some] = wobbles
        self.state.stores[:, some] = stored * parts / parts.sum(axis=0)

    def _base(self) -> Array:
        """Base flow of each particle, (N,), in units of the pump's rate."""
        angle = 2.0 * np.pi * (self.day_of_year + self.at_s / DAY_S - self.has.peak_day) / 365.25
        return np.asarray(self.has.base * (1.0 + self.has.swing * np.cos(angle)))

    def flow(self) -> Array:
        """Flow of each particle as it is, (N,), in units of the pump's rate."""
        factor = np.exp((self.state.wobbles - 0.5 * self._sigma**2).sum(axis=0))
        return np.asarray((self._base() + self.state.stores.sum(axis=0)) * factor)

    def _moved(self, known: Array, weight: Array, index: np.ndarray) -> Array:
        """What is known of the particles, (rows, N), drawn by an index and moved so that mean and covariance stay."""
        mean = known @ weight
        away = known - mean[:, None]
        root = np.linalg.cholesky((away * weight) @ away.T + 1e-14 * np.eye(mean.size))
        noise = root @ self._rng.normal(size=known.shape)
        return np.asarray(KEEP * known[:, index] + (1.0 - KEEP) * mean[:, None] + (1.0 - KEEP**2) ** 0.5 * noise)

    def fewest_effective(self) -> float:
        """The least number of effective particles since this was asked last."""
        fewest, self.least_effective = self.least_effective, float(self.log_weight.size)
        return fewest


def drawn_of(islands: Sequence[WaterFilter], count: int, rng: np.random.Generator) -> WaterFilter:
    """As many particles of each filter, by their weights, `count` together, to go on from here."""
    each = [(one, picked(one.weights(), count // len(islands), rng)) for one in islands]
    constants = np.concatenate([one.constants[:, index] for one, index in each], axis=1)
    states = [one.state.taken(index) for one, index in each]
    first = islands[0]
    return WaterFilter(constants, first.at_s, first.day_of_year, rng, State.joined(states))


def _normed(log_weight: Array) -> Array:
    """Weights, together 1."""
    weight = np.exp(log_weight - log_weight.max())
    return np.asarray(weight / weight.sum())


def _effective(log_weight: Array) -> float:
    """How many particles of one weight tell as much as these (Kish's effective sample size)."""
    weight = _normed(log_weight)
    return 1.0 / float(weight @ weight)


def picked(weight: Array, count: int, rng: np.random.Generator) -> np.ndarray:
    """Indices by systematic resampling, (count,), in random order; weight : (N,), together 1."""
    places = (rng.random() + np.arange(count)) / count
    return rng.permutation(np.minimum(np.searchsorted(np.cumsum(weight), places), weight.size - 1))
