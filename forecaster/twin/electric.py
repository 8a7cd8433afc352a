"""Electricity: from pump runs and loads to power at the outlet, and from power to the energy left in the pack."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from forecaster.maths.arrays import Array
from forecaster.twin.parameters import LoadTruth, PackTruth, PumpTruth, SunTruth
from forecaster.twin.water import Runs
from forecaster.twin.weather import DAY_S

SUN_STEP_S = 300.0
"""How long the panel's power is held [s]."""

TAPER_SHARE = 0.9
"""Share of the full charge above which charging goes on at half the power, 0..1."""


@dataclass(frozen=True, slots=True)
class Profile:
    """A value that holds from each edge to the next, and is 0 before the first.

    times_s : (E,) — times of the edges, increasing [s]
    values : (E,) — value from each edge on
    """

    times_s: Array
    values: Array

    def at(self, times_s: Array) -> Array:
        """Value at each time [s], in the shape of `times_s`."""
        index = np.searchsorted(self.times_s, times_s, side="right") - 1
        return (
            np.asarray(np.where(index >= 0, self.values[np.maximum(index, 0)], 0.0))
            if self.values.size
            else (np.zeros(times_s.shape))
        )

    def integral_h(self) -> Array:
        """Integral from the first edge to each edge, in the value's unit times hours, (E,)."""
        return np.concatenate([[0.0], np.cumsum(self.values[:-1] * np.diff(self.times_s))]) / 3600.0

    def integral_at_h(self, times_s: Array) -> Array:
        """Integral from the first edge to each time [s], in the value's unit times hours; 0 before the first edge."""
        if not self.values.size:
            return np.zeros(times_s.shape)
        whole = self.integral_h()
        index = np.searchsorted(self.times_s, times_s, side="right") - 1
        safe = np.maximum(index, 0)
        part = self.values[safe] * (times_s - self.times_s[safe]) / 3600.0
        return np.asarray(np.where(index >= 0, whole[safe] + part, 0.0))


NOTHING = Profile(np.zeros(0), np.zeros(0))


def added(profiles: list[Profile]) -> Profile:
    """The sum of profiles."""
    times = np.unique(np.concatenate([p.times_s for p in profiles])) if profiles else np.zeros(0)
    return Profile(times, np.asarray(sum((p.at(times) for p in profiles), start=np.zeros(times.shape))))


def pump_profile(runs: Runs, pump: PumpTruth, rng: np.random.Generator) -> Profile:
    """Power at the pump's plug [W]: inrush, then a running power that falls a little as the head grows."""
    count = runs.start_s.size
    if not count:
        return NOTHING
    length = runs.stop_s - runs.start_s
    inrush_s = np.minimum(pump.inrush_s, 0.5 * length)
    own = pump.running_w * (1.0 + pump.spread * rng.normal(size=count))
    times = np.stack([runs.start_s, runs.start_s + inrush_s, runs.start_s + 0.6 * length, runs.stop_s], axis=1)
    watts = np.stack([
        np.full(count, pump.inrush_w), own * (1.0 + 0.5 * pump.sag), own * (1.0 - 0.5 * pump.sag), np.zeros(count),
    ], axis=1)  # fmt: skip
    keep = np.concatenate([np.diff(times.ravel()) > 0.0, [True]])
    return Profile(times.ravel()[keep], watts.ravel()[keep])


def load_profile(load: LoadTruth, start_s: float, stop_s: float, rng: np.random.Generator) -> Profile:
    """Power of another load [W] from start_s on: steady, or switching on and off for times that vary at random."""
    if load.period_s is None or load.on_s is None:
        return Profile(np.array([start_s]), np.array([load.watts]))
    count = math.ceil(1.3 * (stop_s - start_s) / load.period_s) + 4
    jitter = np.clip(1.0 + load.jitter * rng.normal(size=(count, 2)), 0.3, 1.7)
    lengths = jitter * np.array([load.on_s, load.period_s - load.on_s])
    first = start_s - float(rng.uniform(0.0, load.period_s))
    edges = first + np.concatenate([[0.0], np.cumsum(lengths.ravel())[:-1]])
    watts = np.tile([load.watts, 0.0], count)
    keep = max(int(np.searchsorted(edges, start_s, side="right")) - 1, 0)
    return Profile(np.concatenate([[start_s], edges[keep + 1 :]]), watts[keep:])


def sun_profile(sun: SunTruth, start_s: float, stop_s: float, origin_ms: int, rng: np.random.Generator) -> Profile:
    """Power from the panel into the cells [W]: that of a clear sky, less each day's clouds and shorter random changes.

    origin_ms : int — time 0 of start_s and stop_s, UTC milliseconds
    """
    times = np.arange(math.floor(start_s / SUN_STEP_S) * SUN_STEP_S, stop_s, SUN_STEP_S)
    day = np.floor((times - times[0]) / DAY_S).astype(int)
    taken = sun.clouds(int(day[-1]) + 1, rng)[0, day]
    passing = np.clip(1.0 + 0.2 * rng.normal(size=times.size), 0.2, 1.3)
    return Profile(times, sun.clear_w(origin_ms / 1000.0 + times) * (1.0 - taken) * passing)


@dataclass(frozen=True, slots=True)
class Energy:
    """Energy left in the pack, linear between its points.

    times_s : (P,) — times of the points [s]
    left_wh : (P,) — energy left at each [Wh]
    """

    times_s: Array
    left_wh: Array

    @staticmethod
    def chained(parts: Sequence[Energy]) -> Energy:
        """The energies of successive spans as one."""
        return Energy(np.concatenate([e.times_s for e in parts]), np.concatenate([e.left_wh for e in parts]))

    def at(self, times_s: Array) -> Array:
        """Energy left at each time [Wh], in the shape of `times_s`."""
        return np.asarray(np.interp(times_s, self.times_s, self.left_wh))

    def first_below_s(self, level_wh: float) -> float | None:
        """First time [s] at which the energy is at or below a level [Wh]; None if never."""
        below = np.flatnonzero(self.left_wh <= level_wh)
        if not below.size:
            return None
        k = int(below[0])
        if k == 0:
            return float(self.times_s[0])
        high, low = float(self.left_wh[k - 1]), float(self.left_wh[k])
        share = (high - level_wh) / (high - low)
        return float(self.times_s[k - 1] + share * (self.times_s[k] - self.times_s[k - 1]))


def discharge(pack: PackTruth, output: Profile, sun: Profile, start_s: float, stop_s: float, start_wh: float) -> Energy:
    """Energy left while the pack carries the house; never above full.

    output : Profile — power at the outlet [W]
    sun : Profile — charging power into the cells [W]
    start_s, stop_s : float — the span [s]
    start_wh : float — energy left at start_s [Wh]
    """
    between = np.concatenate([output.times_s, sun.times_s])
    between = between[(between > start_s) & (between < stop_s)]
    times = np.unique(np.concatenate([[start_s], between, [stop_s]]))
    drain_w = pack.inverter.dc_w(output.at(times[:-1])) - sun.at(times[:-1])
    path = start_wh - np.concatenate([[0.0], np.cumsum(drain_w * np.diff(times))]) / 3600.0
    spilled = np.maximum(np.maximum.accumulate(path - pack.capacity_wh), 0.0)
    return Energy(times, np.maximum(path - spilled, 0.0))


def recharge(pack: PackTruth, start_s: float, stop_s: float, start_wh: float) -> Energy:
    """Energy left on mains: charging at charge_w, at half of it above TAPER_SHARE, up to the owner's limit.

    start_s, stop_s : float — the span [s]
    start_wh : float — energy left at start_s [Wh]
    """
    full = pack.charge_limit * pack.capacity_wh
    knee = TAPER_SHARE * full
    points = [(start_s, start_wh)]
    at_s, have = start_s, start_wh
    for level, watts in ((knee, pack.charge_w), (full, 0.5 * pack.charge_w)):
        if have >= level:
            continue
        reach = at_s + 3600.0 * (level - have) / watts
        if reach >= stop_s:
            points.append((stop_s, have + watts * (stop_s - at_s) / 3600.0))
            break
        at_s, have = reach, level
        points.append((at_s, have))
    if points[-1][0] < stop_s:
        points.append((stop_s, points[-1][1]))
    times, left = zip(*points, strict=True)
    return Energy(np.asarray(times, dtype=np.float64), np.asarray(left, dtype=np.float64))
