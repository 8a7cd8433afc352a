"""What a forecaster could know of the pack: its constants from the site file and from when the shown charge changed.

The energies are taken as given, with their errors: the pump's work as `heard` has it, other loads at their means. Of a
set of constants the charge at each moment follows; what it is off by is a random walk, for the errors of the pump's
work that gather, and noise, for the time between two messages, so that its likelihood is that of a Kalman filter.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from forecaster.domain.quantities import Quantity
from forecaster.domain.site import Load
from forecaster.maths.arrays import Array
from forecaster.score.bound.heard import DischargeHeard, RunsHeard, discharges_heard
from forecaster.score.bound.tempering import tempered
from forecaster.score.oracle import Prices, drawdown_l
from forecaster.twin.draw import (
    AGED,
    BOW_SD,
    IDLE_W,
    INRUSH,
    INRUSH_S,
    RATED_EFFICIENCY,
    SAG,
    SAID_EFFICIENCY_SD,
    SAID_IDLE_SD,
    SAID_LOAD_SD,
    SAID_PUMP_SD,
    SKEW_SD,
    UNLISTED,
    UNLISTED_W,
    most_curved,
)
from forecaster.twin.electric import Profile
from forecaster.twin.episode import Episode

PLUG_GAIN_SD = 0.012
OUTPUT_GAIN_SD = 0.015
LOAD_GAIN_SD = 0.01
LIMITED = 0.15
"""Chance that the owner lets the pack charge to less than full."""

LEAST_CROSSED = 1e-9
"""Share of the energy that is used at least between two times between which a level was crossed."""

UNKNOWNS = 13


@dataclass(frozen=True, slots=True)
class Packs:
    """Packs that agree with what was heard, one a draw: what they ask, and what they hold above the reserve.

    price : each (draws, 1); budget_wh : (draws, 1) [Wh]
    powers : int — steps of the tempering; accepted : float — share of its last moves that were taken
    """

    price: Prices
    budget_wh: Array
    powers: int
    accepted: float


@dataclass(frozen=True, slots=True)
class _Constants:
    """Constants of each particle, (N,): capacity [Wh], powers from the battery at rest, and more while the pump runs
    [W], energy of a start [Wh], energy from the battery for one more of a load, bow and skew of the gauge; and how well
    the site file agrees, as a log-likelihood."""

    capacity_wh: Array
    rest_w: Array
    run_w: Array
    start_wh: Array
    load_cost: Array
    bow: Array
    skew: Array
    fits: Array

    def percent(self, x: Array) -> Array:
        """Unrounded charge [%] at shares of the energy, (N,) or (N, J) as x."""
        bow, skew = (c.reshape(-1, *(1,) * (x.ndim - 1)) for c in (self.bow, self.skew))
        x = np.clip(x, 0.0, 1.0)
        return np.asarray(100.0 * (x + x * (1.0 - x) * (bow + skew * (1.0 - 2.0 * x))))

    def share_at(self, percent: Array | float) -> Array:
        """Share of the energy, (N,), at which the unrounded charge is `percent` [%], by bisection."""
        low, high = np.zeros(self.bow.size), np.ones(self.bow.size)
        for _ in range(30):
            middle = 0.5 * (low + high)
            below = self.percent(middle) < percent
            low, high = np.where(below, middle, low), np.where(below, high, middle)
        return 0.5 * (low + high)


class PackKnown:
    """The pack of an episode as it can be known at a time [s of the house]."""

    def __init__(self, drawn: Episode, heard: RunsHeard, at_s: float) -> None:
        self.drawn, self.heard, self.at_s = drawn, heard, at_s
        self.discharges = discharges_heard(drawn, at_s)
        self.running_w, self.running_sd = _running_said(drawn)
        self.loads_w, self.loads_sd, self.loads_seen = _loads_said(drawn)
        truth = drawn.parameters
        self.cycling = _cycling(drawn, self.loads_seen)
        self.lift_h = drawdown_l(truth) / truth.pump.rate_l_per_min / 60.0

    def draws(self, count: int, rng: np.random.Generator) -> Packs:
        """So many packs that agree with what was heard."""
        found = tempered(self.log_likelihood, UNKNOWNS + len(self.discharges), rng)
        own = self._constants(found.draws)
        _, left = self._followed(found.draws, own, rng)
        budget = (left - own.share_at(self.drawn.site.pack.reserve_percent)) * own.capacity_wh
        index = rng.permutation(np.arange(count) % budget.size)
        price = Prices(*(x[index, None] for x in (own.rest_w, own.run_w, own.start_wh)))
        return Packs(price, budget[index, None], found.powers, found.accepted)

    def log_likelihood(self, unknown: Array) -> Array:
        """Of unknowns that are standard normal beforehand, (d, N): of what was heard and what the site file says."""
        own = self._constants(unknown)
        return own.fits + self._followed(unknown, own, None)[0]

    def _constants(self, unknown: Array) -> _Constants:
        pack, aged = self.drawn.site.pack, _within(unknown[0], AGED)
        capacity_wh = pack.capacity_wh * aged
        running_w = self.running_w * np.exp(self.running_sd * unknown[6]) * (1.0 + 0.1 * _within(unknown[9], SAG))
        unlisted = np.where(ndtr(unknown[11]) < UNLISTED, _within_share(ndtr(unknown[11]) / UNLISTED, UNLISTED_W), 0.0)
        loads_w = self.loads_w * np.exp(self.loads_sd * unknown[10]) + (0.0 if self.loads_seen else unlisted)
        pso_w = np.exp(_within(unknown[2], (math.log(IDLE_W[0]), math.log(IDLE_W[1]))))
        paco_w = float(pack.continuous_w or 0.0)
        span_w = paco_w / _within(unknown[1], RATED_EFFICIENCY) - pso_w
        most = np.vectorize(most_curved)(paco_w / span_w)
        curve = -ndtr(unknown[3]) * most / span_w
        inverter = _Inverter(pso_w, paco_w / span_w - curve * span_w, curve)
        rest_w, both_w = inverter.dc_w(loads_w), inverter.dc_w(loads_w + running_w)
        sudden_w = inverter.dc_w(loads_w + running_w * _within(unknown[7], INRUSH))
        fits = self._site_fits(running_w / (inverter.dc_w(running_w) - pso_w), pso_w, capacity_wh)
        return _Constants(
            capacity_wh=capacity_wh,
            rest_w=rest_w,
            run_w=both_w - rest_w,
            start_wh=(sudden_w - both_w) * _within(unknown[8], INRUSH_S) / 3600.0,
            load_cost=(rest_w - pso_w) / np.maximum(loads_w, 1e-9),
            bow=BOW_SD * unknown[4],
            skew=SKEW_SD * unknown[5],
            fits=fits,
        )

    def _site_fits(self, efficiency: Array, pso_w: Array, capacity_wh: Array) -> Array:
        """Log-likelihood of what the site file says of the pack."""
        pack = self.drawn.site.pack
        fits = np.log(np.maximum(_capacity_share(capacity_wh), 1e-9))
        if pack.inverter_efficiency is not None:
            fits -= 0.5 * ((efficiency - pack.inverter_efficiency) / SAID_EFFICIENCY_SD) ** 2
        if pack.idle_w is not None:
            fits -= 0.5 * (np.log(pso_w / pack.idle_w) / SAID_IDLE_SD) ** 2
        return np.asarray(fits)

    def _first_share(self, unknown: Array, own: _Constants, place: int) -> Array:
        """Share of the energy at the beginning of a discharge, (N,)."""
        said, even = self.discharges[place], ndtr(unknown[UNKNOWNS + place])
        if said.shown is None:
            return np.where(even < LIMITED, 0.8 + 0.17 * even / LIMITED, 1.0)
        low, high = said.shown
        if said.full and high >= 100.0:
            return np.ones(own.bow.size)
        return own.share_at(low + (high - low) * even)

    def _followed(self, unknown: Array, own: _Constants, rng: np.random.Generator | None) -> tuple[Array, Array]:
        """Log-likelihood of all discharges, (N,), and the share of the energy left now: its mean, or drawn with rng."""
        total = np.zeros(unknown.shape[1])
        left = total
        for place, one in enumerate(self.discharges):
            first = self._first_share(unknown, own, place)
            off, spread2, gained = self._filtered(one, first, own)
            total += gained
            last_s = float(one.after_s[-1]) if one.after_s.size else one.start_s
            drift2 = self._drift2(np.array([last_s, self.at_s]), own)[:, 1]
            left = self._share(np.array([self.at_s]), one, first, own)[:, 0] + off
            if rng is not None:
                left = left + np.sqrt(spread2 + drift2) * rng.normal(size=left.size)
        return total, left

    def _share(self, times_s: Array, one: DischargeHeard, first: Array, own: _Constants) -> Array:
        """Share of the energy at times of a discharge [s], (N, J), by the pump's work as told."""
        hours = (times_s - one.start_s) / 3600.0
        edges = np.concatenate([[one.start_s], times_s])
        on_h = np.diff(self.heard.on_at(edges), prepend=0.0)[1:].cumsum() / 3600.0
        starts = on_h / self.lift_h * (1.0 - np.clip(on_h / np.maximum(hours, 1e-9), 0.0, 1.0))
        used = np.outer(own.rest_w, hours) + np.outer(own.run_w, on_h) + np.outer(own.start_wh, starts)
        used += np.outer(own.load_cost, self.cycling.seen_wh(edges)[1:])
        return np.asarray(first[:, None] - used / own.capacity_wh[:, None])

    def _drift2(self, times_s: Array, own: _Constants) -> Array:
        """Variance of the share of the energy that is gained from each time to the next, (N, J), the first 0."""
        gained = np.diff(self.heard.drift_at(times_s), prepend=self.heard.drift_at(times_s[:1]))
        loads = self.cycling.drift_wh2_per_s * np.diff(times_s, prepend=times_s[:1])
        found = np.outer((own.run_w / own.capacity_wh / 3600.0) ** 2, gained)
        return np.asarray(found + np.outer((own.load_cost / own.capacity_wh) ** 2, loads))

    def _filtered(self, one: DischargeHeard, first: Array, own: _Constants) -> tuple[Array, Array, Array]:
        """What the reckoned share is off by after the last change of the charge: mean and variance; log-likelihood."""
        off, spread2, total = np.zeros(first.size), np.zeros(first.size), np.zeros(first.size)
        if not one.level_percent.size:
            return off, spread2, total
        before, after = (self._share(t, one, first, own) for t in (one.before_s, one.after_s))
        middle = 0.5 * (before + after)
        shown = own.percent(middle)
        slope = np.maximum((own.percent(middle + 1e-3) - own.percent(middle - 1e-3)) / 2e-3, 10.0)
        wrong = (one.level_percent - shown) / slope
        cut = (0.03 * one.step_percent + 0.005) / slope
        swing2 = self.cycling.alone_wh2(one.after_s) * (own.load_cost / own.capacity_wh)[:, None] ** 2
        noise2 = (before - after) ** 2 / 12.0 + cut**2 + swing2 + self._once2(one.after_s, own)
        drift2 = self._drift2(np.concatenate([[one.start_s], one.after_s]), own)[:, 1:]
        off, spread2, total = walk_filter(wrong, drift2, noise2)
        # what was seen is when a level was crossed: its density over the share times the share used meanwhile
        return off, spread2, total + np.log(np.maximum(before - after, LEAST_CROSSED)).sum(axis=1)

    def _once2(self, times_s: Array, own: _Constants) -> Array:
        """Variance of the share of the energy by what the pump's work is off by at each time alone, (N, J)."""
        alone = np.interp(times_s, self.heard.times_s, self.heard.error_s2)
        return np.outer((own.run_w / own.capacity_wh / 3600.0) ** 2, alone)


def walk_filter(seen: Array, drift2: Array, noise2: Array) -> tuple[Array, Array, Array]:
    """A random walk from 0, seen with noise: its mean and variance after the last sight, and the log-likelihood, (N,).

    seen, drift2, noise2 : (N, J) — what was seen, the variance gained before each sight, and that of its noise
    """
    mean, spread2, total = np.zeros(seen.shape[0]), np.zeros(seen.shape[0]), np.zeros(seen.shape[0])
    for k in range(seen.shape[1]):
        prior2 = spread2 + drift2[:, k]
        whole2 = prior2 + noise2[:, k]
        miss = seen[:, k] - mean
        total -= 0.5 * (miss**2 / whole2 + np.log(2.0 * np.pi * whole2))
        gain = prior2 / whole2
        mean, spread2 = mean + gain * miss, prior2 * (1.0 - gain)
    return mean, spread2, total


@dataclass(frozen=True, slots=True)
class _Inverter:
    """The curves of all particles' inverters, as `forecaster.twin.parameters.InverterTruth` has them, (N,) each."""

    pso_w: Array
    slope: Array
    curve: Array

    def dc_w(self, ac_w: Array) -> Array:
        """DC power that an AC power takes, (N,) [W]."""
        curve = np.minimum(self.curve, -1e-12)
        root = np.sqrt(np.maximum(self.slope**2 + 4.0 * curve * ac_w, 1e-6))
        return np.asarray(self.pso_w + (root - self.slope) / (2.0 * curve))


def _within(normal: Array, span: tuple[float, float]) -> Array:
    """Uniform in a span from a standard normal."""
    return _within_share(ndtr(normal), span)


def _within_share(share: Array, span: tuple[float, float]) -> Array:
    return np.asarray(span[0] + (span[1] - span[0]) * share)


def _capacity_share(capacity_wh: Array) -> Array:
    """Density of the logarithm of what packs hold, up to a factor: 500 to 4000 Wh, less up to 18 %."""
    return (np.minimum(1.0, capacity_wh / 500.0) - np.maximum(0.82, capacity_wh / 4000.0)) / 0.18


@dataclass(frozen=True, slots=True)
class _Cycling:
    """Loads that switch on and off: those that are measured, and what the others' cycles leave open.

    seen : the measured ones' power less its mean, and when each began
    swing_wh2, drift_wh2_per_s : float — variance of the others' energy by where in their cycles they are [Wh²], and
        what it gains because cycles differ [Wh²/s]
    period_s : float — the longest of their cycles [s], 0: none
    """

    seen: tuple[tuple[Profile, float], ...]
    swing_wh2: float
    drift_wh2_per_s: float
    period_s: float

    def alone_wh2(self, times_s: Array) -> float:
        """Variance of the others' energy at each of some times, as if each were alone [Wh²].

        Within half a cycle they are off by about the same: so many together tell no more than one.
        """
        apart_s = float(times_s[-1] - times_s[0]) / max(times_s.size - 1, 1)
        return self.swing_wh2 * max(0.5 * self.period_s / max(apart_s, 1.0), 1.0)

    def seen_wh(self, times_s: Array) -> Array:
        """Energy of the measured ones since the first time beyond their mean at each time [Wh]."""
        total = np.zeros(times_s.size)
        for profile, mean_w in self.seen:
            wh = profile.integral_at_h(times_s)
            total += wh - wh[0] - mean_w * (times_s - times_s[0]) / 3600.0
        return total


def _cycling(drawn: Episode, all_seen: bool) -> _Cycling:
    plugs = {t.sensor.subject for t in drawn.tracks if t.sensor.quantity is Quantity.LOAD_POWER}
    seen, swing, drift, period_s = [], 0.0, 0.0, 0.0
    for load, profile in zip(drawn.parameters.loads, drawn.house.loads, strict=True):
        if load.period_s is None or load.on_s is None:
            continue
        if all_seen or load.name in plugs:
            seen.append((profile, load.mean_w))
            continue
        off_s, period_s = load.period_s - load.on_s, max(period_s, load.period_s)
        each_wh = load.watts * load.on_s * off_s / load.period_s / 3600.0
        swing += each_wh**2 / 12.0
        drift += 2.0 * (load.jitter * each_wh) ** 2 / load.period_s
    return _Cycling(tuple(seen), swing, drift, period_s)


def _running_said(drawn: Episode) -> tuple[float, float]:
    """The pump's power as told [W], and how well that is known, as a log-standard deviation."""
    truth_w = drawn.parameters.pump.running_w
    for quantity, sd in (
        (Quantity.PUMP_ENERGY, PLUG_GAIN_SD), (Quantity.PUMP_POWER, PLUG_GAIN_SD),
        (Quantity.PACK_OUTPUT_POWER, OUTPUT_GAIN_SD),
    ):  # fmt: skip
        for track in drawn.tracks:
            if track.sensor.quantity is quantity:
                return truth_w * (1.0 + track.sensor.gain), sd
    pump = drawn.site.pump
    if pump.rated_power_w is not None:
        return pump.rated_power_w, SAID_PUMP_SD
    volts, amps, factor = pump.rated_voltage_v or 0.0, pump.rated_current_a, pump.power_factor
    return volts * (amps[0] if amps else 0.0) * (factor or 1.0), (SAID_PUMP_SD**2 + 0.05**2) ** 0.5


def _loads_said(drawn: Episode) -> tuple[float, float, bool]:
    """The other loads' mean power as told [W], its log-standard deviation, and whether their sum is measured."""
    truth = drawn.parameters
    for track in drawn.tracks:
        if track.sensor.quantity is Quantity.PACK_OUTPUT_POWER:
            return truth.loads_mean_w * (1.0 + track.sensor.gain), OUTPUT_GAIN_SD, True
    gains = {t.sensor.subject: t.sensor.gain for t in drawn.tracks if t.sensor.quantity is Quantity.LOAD_POWER}
    listed = {load.name: load for load in drawn.site.loads}
    total, spread2 = 0.0, 0.0
    for load in truth.loads:
        if load.name in gains:
            said_w, sd = load.mean_w * (1.0 + gains[load.name]), LOAD_GAIN_SD
        elif load.name in listed:
            said_w, sd = _listed_w(listed[load.name]), SAID_LOAD_SD * (1.0 if load.period_s is None else 3.0**0.5)
        else:
            continue
        total, spread2 = total + said_w, spread2 + (said_w * sd) ** 2
    return total, spread2**0.5 / max(total, 1e-9), False


def _listed_w(load: Load) -> float:
    """Mean power of a load as the site file has it [W]."""
    if load.runs_per_hour is None or load.run_s is None:
        return load.watts
    return load.watts * min(load.runs_per_hour * load.run_s / 3600.0, 1.0)
