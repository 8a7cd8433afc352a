"""What a forecaster could know of the water: particles with a Kalman filter each, weighted by the pump's work as told.

Of a particle with its constants and its storms the rest is nearly linear: rain after the delay, reservoirs, logarithms
of the wobbles, and by how much more the pump would have worked than was told. An extended Kalman filter carries their
means and covariance, with gusts and wobbles as its noise, so that a particle need not have guessed them (marginalised
particle filter: Schön, Gustafsson and Nordlund 2005, IEEE Trans. Signal Process. 53; from memory). Particles are
weighted by how long the pump was told to run from moment to moment. When few carry the weight they are drawn anew, each
with its constants and flows moved a little so that their mean and covariance stay (Liu and West 2001, Combined
parameter and state estimation in simulation-based filtering, chapter 10 of Sequential Monte Carlo Methods in Practice;
from memory). Of the climate, of which a few days tell little, they get another at random, and a few begin anew with
other constants and the flow that they had: without them a filter that a storm has led astray stays there. Storms are
proposed more often than they come, and weighted down for it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from forecaster.maths.arrays import Array
from forecaster.score.bound.water import CLIMATE, Kept, State, Waters

PARTICLES = 12_000
STEP_S = 900.0
"""Longest step of the filter [s]."""

KEEP = 0.99
"""How much of a particle's own constants is kept when it is drawn anew, 0..1; the rest is their mean."""

STORM_KEEP = 0.95
"""The same of the intensity of a storm that goes on."""

BORN = 0.03
"""Share of the particles that begin anew with other constants whenever they are drawn anew, 0..1."""

LEAST_ESS = 0.5
"""Effective share of the particles below which they are drawn anew, 0..1."""

FEWEST, MOST_DOUBLINGS = 0.05, 40
"""Effective share of the particles that one moment must leave, and how often its variance is doubled for that."""

EAGER = 4.0
"""How many times as often as in the climate a storm is proposed to begin."""

DRY = 1e-3
"""Flow from a reservoir that is as good as none, in units of the pump's rate."""

MODEL_SHARE = 0.01
"""Error of the steps' sums as a share of the pump's work."""

DELAYED, STORES, WOBBLES, GAP, SIZE = 0, (1, 2, 3), (4, 5, 6), 7, 8
"""Places in the Kalman filters' vectors."""


@dataclass(frozen=True, slots=True)
class RainSeen:
    """Rain that a gauge measured: (S,) ends of spans [s], and the mean in each [mm/h]; each span is as long."""

    until_s: Array
    mm_per_h: Array
    span_s: float

    def between(self, from_s: float, to_s: float) -> float | None:
        """Mean of what is known of a time [mm/h]; None where that is less than half of it."""
        low = int(np.searchsorted(self.until_s, from_s, side="right"))
        high = int(np.searchsorted(self.until_s, to_s + self.span_s, side="left"))
        until = self.until_s[low:high]
        covered = np.maximum(np.minimum(until, to_s) - np.maximum(until - self.span_s, from_s), 0.0)
        known_s = float(covered.sum())
        return float(covered @ self.mm_per_h[low:high]) / known_s if known_s >= 0.5 * (to_s - from_s) else None


class WaterFilter(Waters):
    """The particles, from long before the history on.

    gap_s : (N,) — by how much longer than told each particle would have had the pump run [s]
    spread : (N, SIZE, SIZE) — covariance of each particle's Kalman filter
    born : float — share of the particles that begin anew whenever they are drawn anew, 0..1
    """

    def __init__(
        self, constants: Array, start_s: float, day_of_year: float, rng: np.random.Generator, *, born: float = BORN
    ) -> None:
        super().__init__(constants, start_s, day_of_year, rng)
        self._low, self._high = constants.min(axis=1, keepdims=True), constants.max(axis=1, keepdims=True)
        self._first, self._born = constants.copy(), born
        count = constants.shape[1]
        self.gap_s = np.zeros(count)
        self.spread = np.zeros((count, SIZE, SIZE))
        self.least_effective = float(count)
        self.forget_wobbles(np.arange(count))

    def forget_wobbles(self, some: np.ndarray) -> None:
        """Of some particles nothing is known of the wobbles but how far they go."""
        self.state.wobbles[:, some] = 0.0
        for place, one in enumerate(WOBBLES):
            self.spread[some, one, :] = self.spread[some, :, one] = 0.0
            self.spread[some, one, one] = self.sigma[place, some] ** 2

    def spin_up(self, until_s: float) -> None:
        """Live unheard until a time [s]."""
        super().spin_up(until_s)
        self.forget_wobbles(np.arange(self.gap_s.size))

    def hear(self, step_s: float, rain: float | None = None) -> None:
        """Go on by a step [s] of which will be told; rain [mm/h] where it is measured."""
        own = self.weather(step_s, EAGER if rain is None else 1.0)
        mean = own.mean if rain is None else np.full(own.mean.shape, rain)
        gusts2 = own.spread2 + own.mean**2 / own.shape if rain is None else np.zeros(mean.shape)
        keeps, was = self.keeps(step_s), self.state.wobbles
        noise2 = self.sigma**2 * (1.0 - keeps.wobbles**2)
        factor = self._factor_over(keeps, was, noise2)
        self.state.wobbles = keeps.wobbles * was
        duty = (self.base() + self.fill(mean, keeps)) * factor
        free = duty < self.has.tile
        duty = np.minimum(duty, self.has.tile)
        self.at_s += step_s
        self.gap_s = self.gap_s + step_s * duty
        on, by_rain = self._linear(keeps, step_s * factor * free, step_s * duty * free)
        self.spread = on @ self.spread @ on.transpose(0, 2, 1)
        wet = np.flatnonzero(gusts2)
        self.spread[wet] += gusts2[wet, None, None] * by_rain[wet, :, None] * by_rain[wet, None, :]
        self._wobble(noise2, 0.5 * step_s * duty * free)

    def _factor_over(self, keeps: Kept, wobbles: Array, noise2: Array) -> Array:
        """Expected factor of the wobbles over a step, (N,); wobbles — before it; noise2 — what it adds to them."""
        half = 0.5 * (1.0 + keeps.wobbles)
        known = self.spread[:, WOBBLES[0] : GAP, WOBBLES[0] : GAP]
        spread2 = np.einsum("in,nij,jn->n", half, known, half) + 0.25 * noise2.sum(axis=0)
        return np.asarray(np.exp((half * wobbles - 0.5 * self.sigma**2).sum(axis=0) + 0.5 * spread2))

    def _linear(self, keeps: Kept, per_flow: Array, per_log: Array) -> tuple[Array, Array]:
        """How a small change before a step goes on, (N, SIZE, SIZE), and one of the rain in it, (N, SIZE).

        per_flow, per_log — seconds of the pump's work for one more of flow, and of a logarithm
        """
        on, by_rain = np.zeros((per_flow.size, SIZE, SIZE)), np.zeros((per_flow.size, SIZE))
        on[:, GAP, GAP], on[:, DELAYED, DELAYED], by_rain[:, DELAYED] = 1.0, keeps.delay, 1.0 - keeps.delay
        for k, one in enumerate(STORES):
            fills = self.share[k] * (1.0 - keeps.stores[k])
            flows = per_flow * self.share[k] * (1.0 - keeps.mean_stores[k])
            on[:, one, one], on[:, one, DELAYED] = keeps.stores[k], fills * keeps.mean_delay
            on[:, GAP, one] = per_flow * keeps.mean_stores[k]
            on[:, GAP, DELAYED] += flows * keeps.mean_delay
            by_rain[:, one] = fills * (1.0 - keeps.mean_delay)
            by_rain[:, GAP] += flows * (1.0 - keeps.mean_delay)
        for k, one in enumerate(WOBBLES):
            on[:, one, one] = keeps.wobbles[k]
            on[:, GAP, one] = 0.5 * per_log * (1.0 + keeps.wobbles[k])
        return on, by_rain

    def _wobble(self, noise2: Array, half_s: Array) -> None:
        """Add a step's noise of the wobbles; half_s — by how much a unit of it changes the pump's work [s]."""
        for k, one in enumerate(WOBBLES):
            work = half_s * noise2[k]
            self.spread[:, one, one] += noise2[k]
            self.spread[:, one, GAP] += work
            self.spread[:, GAP, one] += work
            self.spread[:, GAP, GAP] += half_s * work

    def observe(self, drift_s2: float, error_s2: float) -> None:
        """Weight by what was told of the pump's work: `gap_s` is what each particle would have it more than was told.

        Where that would leave fewer than FEWEST effective particles it is believed less; what is not believed yet stays
        in the gap, and tells at the next moment.
        drift_s2, error_s2 : float — variance that the telling gained since the last time, and at this moment alone [s²]
        """
        self.spread[:, GAP, GAP] += drift_s2
        prior_s2 = self.spread[:, GAP, GAP]
        more_s2 = 0.0
        for _ in range(MOST_DOUBLINGS):
            whole_s2 = prior_s2 + error_s2 + more_s2
            found = self.log_weight - 0.5 * (self.gap_s**2 / whole_s2 + np.log(whole_s2))
            if effective(found) >= FEWEST * found.size:
                break
            more_s2 = 2.0 * more_s2 if more_s2 else float(prior_s2.mean()) + error_s2
        self.log_weight = found
        self.least_effective = min(self.least_effective, effective(found))
        self._learn(self.spread[:, :, GAP] / whole_s2[:, None])

    def _learn(self, gain: Array) -> None:
        """The Kalman filters after a sight of a gap of 0; gain : (N, SIZE)."""
        change = -(gain * self.gap_s[:, None]).T
        self.spread = self.spread - gain[:, :, None] * self.spread[:, None, GAP, :]
        state = self.state
        state.delayed = np.maximum(state.delayed + change[DELAYED], 0.0)
        state.stores = np.maximum(state.stores + change[STORES[0] : WOBBLES[0]], 0.0)
        state.wobbles = state.wobbles + change[WOBBLES[0] : GAP]
        self.gap_s = self.gap_s + change[GAP]

    def weights(self) -> Array:
        """Weights of the particles, (N,), together 1."""
        return _normed(self.log_weight)

    def renew(self) -> None:
        """Draw the particles anew where few carry the weight."""
        weight = self.weights()
        if effective(self.log_weight) >= LEAST_ESS * weight.size:
            return
        index = picked(weight, weight.size, self.rng)
        known = np.concatenate([self.constants, self.state.wobbles, np.log(self.state.stores + DRY), self.gap_s[None]])
        moved = self._moved(known, weight, index)
        self.state = self.state.taken(index)
        self.spread = self.spread[index]
        self.log_weight = np.zeros(weight.size)
        fixed, wobbles, stores, gap = np.split(moved, np.cumsum([len(self.constants), 3, 3]))
        fixed = np.clip(fixed, self._low, self._high)
        fixed[CLIMATE] = self._first[CLIMATE][:, self.rng.integers(weight.size, size=weight.size)]
        self.set_constants(fixed)
        self.state.wobbles, self.state.stores = wobbles, np.maximum(np.exp(stores) - DRY, 0.0)
        self.gap_s = gap[0]
        self._move_storms()
        self.begin_anew()

    def _move_storms(self) -> None:
        """Move the intensities of storms that go on a little, so that their logarithms' mean and variance stay."""
        storms = self.state.storms
        wet = storms > 0.0
        if not wet.any():
            return
        own = np.log(storms[wet])
        noise = (1.0 - STORM_KEEP**2) ** 0.5 * own.std() * self.rng.normal(size=own.size)
        storms[wet] = np.exp(STORM_KEEP * own + (1.0 - STORM_KEEP) * own.mean() + noise)

    def begin_anew(self) -> None:
        """Give a few particles the constants of houses drawn at first, and stores that leave their flow.

        So a filter that has lost its way, or forgot what it can no longer tell, can still find out.
        """
        rng, count = self.rng, self.log_weight.size
        some = rng.permutation(count)[: round(self._born * count)]
        flow = self.flow()[some]
        fixed = self.constants.copy()
        fixed[:, some] = self._first[:, rng.integers(count, size=some.size)]
        self.set_constants(fixed)
        self.state.wobbles[:, some] = self.sigma[:, some] * rng.normal(size=(3, some.size))
        stored = np.maximum(flow / self.factor()[some] - self.base()[some], 0.0)
        parts = rng.exponential(size=(3, some.size))
        self.state.stores[:, some] = stored * parts / parts.sum(axis=0)

    def _moved(self, known: Array, weight: Array, index: np.ndarray) -> Array:
        """What is known of the particles, (rows, N), drawn by an index and moved so that mean and covariance stay."""
        mean = known @ weight
        away = known - mean[:, None]
        root = np.linalg.cholesky((away * weight) @ away.T + 1e-14 * np.eye(mean.size))
        noise = root @ self.rng.normal(size=known.shape)
        return np.asarray(KEEP * known[:, index] + (1.0 - KEEP) * mean[:, None] + (1.0 - KEEP**2) ** 0.5 * noise)

    def fewest_effective(self) -> float:
        """The least number of effective particles since this was asked last."""
        fewest, self.least_effective = self.least_effective, float(self.log_weight.size)
        return fewest

    def drawn(self, count: int, rng: np.random.Generator) -> tuple[Array, State]:
        """So many particles by their weights, constants and state, what the Kalman filters leave open drawn."""
        index = picked(self.weights(), count, rng)
        state = self.state.taken(index)
        root = np.linalg.cholesky(self.spread[index] + 1e-12 * np.eye(SIZE))
        off = np.einsum("nij,nj->in", root, rng.normal(size=(count, SIZE)))
        state.delayed = np.maximum(state.delayed + off[DELAYED], 0.0)
        state.stores = np.maximum(state.stores + off[STORES[0] : WOBBLES[0]], 0.0)
        state.wobbles = state.wobbles + off[WOBBLES[0] : GAP]
        return self.constants[:, index], state


def drawn_of(islands: Sequence[WaterFilter], count: int, rng: np.random.Generator) -> Waters:
    """As many particles of each filter, by their weights, `count` together, to go on from here."""
    drawn = [one.drawn(count // len(islands), rng) for one in islands]
    constants = np.concatenate([own for own, _ in drawn], axis=1)
    first = islands[0]
    return Waters(constants, first.at_s, first.day_of_year, rng, State.joined([state for _, state in drawn]))


def _normed(log_weight: Array) -> Array:
    """Weights, together 1."""
    weight = np.exp(log_weight - log_weight.max())
    return np.asarray(weight / weight.sum())


def effective(log_weight: Array) -> float:
    """How many particles of one weight tell as much as these (Kish's effective sample size)."""
    weight = _normed(log_weight)
    return 1.0 / float(weight @ weight)


def picked(weight: Array, count: int, rng: np.random.Generator) -> np.ndarray:
    """Indices by systematic resampling, (count,), in random order; weight : (N,), together 1."""
    places = (rng.random() + np.arange(count)) / count
    return rng.permutation(np.minimum(np.searchsorted(np.cumsum(weight), places), weight.size - 1))
