"""Simulated site-years, made run by run as arrays: a pit with storms and seasons, its faults, and how it is sampled."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime
from enum import StrEnum

import numpy as np
from scipy.signal import lfilter

from forecaster.domain.longrecord import Day
from forecaster.domain.quantities import Quantity
from forecaster.domain.times import DAY_MS
from forecaster.maths.arrays import Array
from forecaster.record.cycles import cycle_facts

STEP_S = 600.0
DAY_S = 86_400.0
START_MS = int(datetime(2026, 3, 1, tzinfo=UTC).timestamp() * 1000)
DRAWDOWN_L = 30.0


class Sampling(StrEnum):
    """How the pump is watched."""

    ONE = "1 s"
    TEN = "10 s"
    THIRTY = "30 s"
    ON_CHANGE = "on change"
    FLOAT = "float only"
    COUNTER = "counter only"

    @property
    def every_s(self) -> float | None:
        """Seconds between samples; None: on change."""
        return {"1 s": 1.0, "10 s": 10.0, "30 s": 30.0}.get(self.value)


Course = Callable[[Array], Array]
"""A factor or share at each day of the record."""


def still(value: float) -> Course:
    return lambda day: np.full(day.shape, value)


@dataclass(frozen=True)
class Truth:
    """A house: how much flows in, and what becomes of its parts.

    flow, watts : factor of the pump's rate and power; leak : share of a run's water that runs back at once
    sticks : share of starts for which the float hangs, by half a drawdown to one and a half
    wettest : day of the record on which the base is greatest; None: drawn with the water
    """

    rate_l_per_min: float = 150.0
    base_l_per_min: float = 5.0
    swing: float = 0.4
    storms_a_year: float = 45.0
    slop: float = 0.06
    wettest: float | None = None
    flow: Course = field(default_factory=lambda: still(1.0))
    watts: Course = field(default_factory=lambda: still(1.0))
    leak: Course = field(default_factory=lambda: still(0.0))
    sticks: Course = field(default_factory=lambda: still(0.0))


def drawn(rng: np.random.Generator) -> Truth:
    """A healthy house of many."""
    return Truth(
        rate_l_per_min=float(rng.uniform(120.0, 160.0)), base_l_per_min=float(np.exp(rng.uniform(0.5, 2.5))),
        swing=float(rng.uniform(0.2, 0.6)), storms_a_year=float(rng.uniform(25.0, 70.0)),
        slop=float(rng.uniform(0.02, 0.08)),
    )  # fmt: skip


def inflow(truth: Truth, days: int, rng: np.random.Generator, step_s: float = STEP_S) -> Array:
    """Inflow at each step [L/min]: a base with its season, storms that recede fast and slowly, a wobble."""
    count = int(days * DAY_S / step_s)
    day = np.arange(count) * step_s / DAY_S
    wettest = rng.uniform(0, 365) if truth.wettest is None else truth.wettest
    base = truth.base_l_per_min * (1.0 + truth.swing * np.cos(2.0 * np.pi * (day - wettest) / 365.25))
    storms = np.zeros(count)
    for at in rng.uniform(0, days, rng.poisson(truth.storms_a_year * days / 365.25)):
        since = np.maximum(day - at, 0.0)
        size = truth.base_l_per_min * rng.gamma(1.2, 1.5)
        falls = 0.7 * np.exp(-since / rng.uniform(0.1, 0.4)) + 0.3 * np.exp(-since / rng.uniform(1.5, 5.0))
        storms += np.where(since > 0.0, size * falls, 0.0)
    keep = float(np.exp(-step_s / (0.5 * DAY_S)))
    wobble = lfilter([1.0], [1.0, -keep], rng.normal(0.0, 0.06 * np.sqrt(1.0 - keep**2), count))
    return np.asarray(np.minimum((base + storms) * np.exp(wobble), 0.8 * truth.rate_l_per_min), dtype=np.float64)


def runs(truth: Truth, flows_in: Array, rng: np.random.Generator) -> tuple[Array, Array]:
    """Starts and stops of every run [s] in a water, see `inflow`, which is conserved but for its changes within one
    cycle."""
    days = flows_in.size * STEP_S / DAY_S
    at_s = np.arange(flows_in.size, dtype=np.float64) * STEP_S
    day: Array = at_s / DAY_S
    rate = truth.rate_l_per_min * truth.flow(day)
    flows_in = np.minimum(flows_in, 0.9 * rate)
    leak = truth.leak(day)
    run = DRAWDOWN_L / (rate - flows_in)
    wait = DRAWDOWN_L * (1.0 - leak) / flows_in
    waiting = flows_in * wait / (wait + run) * STEP_S / 60.0
    waited = np.concatenate([[0.0], np.cumsum(waiting)])
    cycles = np.concatenate([[0.0], np.cumsum(waiting / (DRAWDOWN_L * (1.0 - leak)))])
    many = int(waited[-1] / (DRAWDOWN_L * (1.0 - leak.max())) * 1.05) + 50
    rises, falls = rng.normal(0.0, truth.slop * DRAWDOWN_L, (2, many + 1))
    rises, falls = np.clip(rises, -8.0, 8.0), np.clip(falls, -8.0, 8.0)
    chance, hangs = rng.uniform(size=many), DRAWDOWN_L * rng.uniform(0.5, 1.5, many)
    ends = np.append(at_s, days * DAY_S)
    starts = np.interp(np.arange(many), cycles, ends)
    back = np.interp(starts, at_s, leak)
    for _ in range(2):  # late starts put off all after them, so the faults are looked up once more at the true times
        late = np.where(chance < truth.sticks(np.nan_to_num(starts, nan=days * DAY_S) / DAY_S), hangs, 0.0)
        to_come = (DRAWDOWN_L + rises[:many] + late - falls[:-1]) - back * DRAWDOWN_L
        starts = np.interp(np.cumsum(to_come), waited, ends, right=np.nan)
    starts = starts[np.isfinite(starts)]
    count = starts.size
    lifted = DRAWDOWN_L + rises[:count] + late[:count] - falls[1 : count + 1]
    lasts = 60.0 * lifted / (np.interp(starts, at_s, rate) - np.interp(starts, at_s, flows_in))
    stops = np.minimum(starts + lasts, np.append(starts[1:] - 1.0, np.inf))
    return starts, np.maximum(stops, starts + 0.5)


def late_share(truth: Truth, flows_in: Array, rng: np.random.Generator) -> float:
    """Share of the starts that come late by more than half the usual wait: the median of the four waits on either side.

    Told from the true runs.
    """
    starts, stops = runs(truth, flows_in, rng)
    waits = starts[1:] - stops[:-1]
    usual = np.median([np.roll(waits, away) for away in (-4, -3, -2, -1, 1, 2, 3, 4)], axis=0)
    return float(np.mean(waits > 1.5 * usual))


def seen(
    starts: Array, stops: Array, sampling: Sampling, rng: np.random.Generator
) -> tuple[Array, Array, Array]:  # fmt: skip
    """What a sampling makes of runs: starts, stops [s], and readings that caught each; those never caught are left out.

    As `forecaster.segment.tracker` tells them: half an interval before the first reading that shows a run, and before
    the first that shows its end; on change both edges to a second.
    """
    every = sampling.every_s
    if every is None:
        late = rng.uniform(0.0, 0.4, (2, starts.size))
        return starts + late[0], stops + late[1], np.full(starts.size, 2.0)
    phase = rng.uniform(0.0, every)
    first, last = np.floor((starts - phase) / every) + 1.0, np.floor((stops - phase) / every) + 1.0
    caught = last > first
    first, last = first[caught], last[caught]
    apart = np.concatenate([[True], first[1:] > last[:-1]])
    ends = np.concatenate([np.flatnonzero(apart)[1:] - 1, [first.size - 1]]) if first.size else np.empty(0, dtype=int)
    first, last = first[apart], last[ends]
    return (first - 0.5) * every + phase, (last - 0.5) * every + phase, last - first


def record(truth: Truth, sampling: Sampling, days: int, rng: np.random.Generator, site: str = "larkspur") -> list[Day]:
    """The daily table of a house."""
    return record_in(inflow(truth, days, rng), truth, sampling, rng, site)


def record_in(
    flows_in: Array, truth: Truth, sampling: Sampling, rng: np.random.Generator, site: str = "larkspur"
) -> list[Day]:  # fmt: skip
    """The same in a water that is given, see `inflow`."""
    started, stopped, samples = seen(*runs(truth, flows_in, rng), sampling, rng)
    days = round(flows_in.size * STEP_S / DAY_S)
    edges = np.searchsorted(started, np.arange(days + 1) * DAY_S)
    source = {Sampling.FLOAT: Quantity.PIT_FLOAT, Sampling.COUNTER: Quantity.PUMP_ENERGY}.get(
        sampling, Quantity.PUMP_POWER
    )
    powered = source is Quantity.PUMP_POWER
    return [
        _day(site, number, (started, stopped, samples), (int(edges[number]), int(edges[number + 1])), source, sampling,
             _power(truth, number, rng) if powered else None)
        for number in range(days)
    ]  # fmt: skip


def _power(truth: Truth, number: int, rng: np.random.Generator) -> float:
    season = 1.0 + 0.006 * np.cos(2.0 * np.pi * number / 365.25)
    return float(480.0 * season * truth.watts(np.array([float(number)]))[0] * (1.0 + rng.normal(0.0, 0.004)))


def _day(
    site: str, number: int, every: tuple[Array, Array, Array], of: tuple[int, int], source: Quantity,
    sampling: Sampling, power_w: float | None,
) -> Day:  # fmt: skip
    first, end = of
    before = max(0, first - 8)
    start, stop, samples = (column[before:end] for column in every)
    today = np.arange(before, end) >= first
    counted = source is Quantity.PUMP_ENERGY
    told = np.full(start.size, not counted)
    facts = cycle_facts(start, stop, samples, told, np.ones(start.size, dtype=bool), today)
    lengths = (stop - start)[today]
    waits = (start[1:] - stop[:-1])[today[1:]] if start.size else np.empty(0)
    at_once = int((waits < 0.2 * np.median(waits)).sum()) if waits.size else 0
    start_ms = START_MS + number * DAY_MS
    hours = _busy_hours(start[today], stop[today], number)
    day = datetime.fromtimestamp(start_ms / 1000.0, UTC).date().isoformat()
    return Day(
        site, day, start_ms, start_ms + DAY_MS, heard_s=DAY_S, sampled_s=sampling.every_s or 60.0,
        runs=int(today.sum()), measured=int(today.sum()) - facts.single, samples=int(samples[today].sum()),
        run_s=float(lengths.sum()), cycles=facts.paired, at_once=at_once, power_w=power_w,
        peak_hour_s=float(hours.max()), peak_six_hours_s=float(np.convolve(hours, np.ones(6)).max()),
        source=source.value, **asdict(facts),
    )  # fmt: skip


def _busy_hours(start: Array, stop: Array, number: int) -> Array:
    """Running time within each clock hour of a day [s], (24,)."""
    hours = number * DAY_S + 3600.0 * np.arange(25)
    ran = np.concatenate([[0.0], np.cumsum(stop - start)])
    return np.asarray(np.diff(ran[np.searchsorted(start, hours)]), dtype=np.float64)
