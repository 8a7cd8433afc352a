"""What the messages of an episode told: how long the pump ran between moments, and when the shown charge changed.

Three things are taken as told although messages hold them less well, so that the bound knows too much rather than too
little: where the runs are longer than a sample, or the cycle longer than four, every run is counted; what a device's
clock is off by is known, because messages arrive when they are sent; and runs within a gap of the telemetry are known
to a tenth.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from forecaster.domain.quantities import Quantity
from forecaster.domain.runs import Supply
from forecaster.maths.arrays import Array
from forecaster.score.oracle import drawdown_l
from forecaster.twin.episode import Episode
from forecaster.twin.house import SupplySpan
from forecaster.twin.sensors import Track
from forecaster.twin.water import Runs

NODE_S = 600.0
"""Least time between two moments at which the pump's work is compared [s]."""

COUNTED_CYCLE = 4.0
"""Runs shorter than a sample are still counted by their rhythm where the cycle is as many samples long."""

EDGE_S = 0.5
"""How well a message on change tells the moment [s]."""

MOST_LATE_S = 0.6
"""A message on change is sent at most so long after it [s]."""

GAP_SHARE = 0.1
"""How well the pump's work in a gap of the telemetry is known, as a share."""

_TELLS_RUNS = (
    Quantity.PUMP_ENERGY, Quantity.PUMP_POWER, Quantity.PIT_FLOAT, Quantity.PACK_OUTPUT_POWER,
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class RunsHeard:
    """How long the pump ran, as told.

    times_s : (K,) — moments, at ends of runs NODE_S and more apart [s of the house]
    on_s : (K,) — how long it had run since the first of them [s]
    runs : Runs — its runs, by which on_s is divided between moments
    drift_s2 : (K,) — variance that the error of on_s gains from the moment before [s²]
    error_s2 : (K,) — variance of on_s at each moment alone, and of the water that the float leaves, as pump time [s²]
    """

    times_s: Array
    on_s: Array
    drift_s2: Array
    error_s2: Array
    runs: Runs

    def on_at(self, times_s: Array) -> Array:
        """How long it had run by each time [s]."""
        off_s = self.on_s - ran_s(self.runs, self.times_s)
        return np.asarray(np.interp(times_s, self.times_s, off_s) + ran_s(self.runs, times_s))

    def drift_at(self, times_s: Array) -> Array:
        """Variance of the error that had gathered by each time [s²]."""
        return np.asarray(np.interp(times_s, self.times_s, np.cumsum(self.drift_s2)))


def ran_s(runs: Runs, times_s: Array) -> Array:
    """How long the pump had run by each time [s]."""
    edges_s = np.stack([runs.start_s, runs.stop_s], axis=1).ravel()
    ran = np.repeat(np.concatenate([[0.0], np.cumsum(runs.stop_s - runs.start_s)]), 2)[1:-1]
    return np.asarray(np.interp(times_s, edges_s, ran))


def track_of(drawn: Episode, *quantities: Quantity) -> Track | None:
    """The first of the quantities' tracks that the episode has."""
    tracks = {track.sensor.quantity: track for track in drawn.tracks}
    return next((tracks[one] for one in quantities if one in tracks), None)


def measured_s(drawn: Episode, track: Track) -> Array:
    """When each message of a track was measured [s of the house], the error of the device's clock taken out."""
    times = (track.time_ms - drawn.start_ms) / 1000.0
    for step in drawn.troubles.clock_steps:
        if step.device == track.sensor.device:
            own_s = times - step.offset_ms / 1000.0
            times = np.where((own_s >= step.at_s) & (own_s < step.until_s), own_s, times)
    return np.asarray(times)


def runs_heard(drawn: Episode) -> RunsHeard:
    """How long the pump ran by moments all through the episode. ValueError where nothing tells of it."""
    track = track_of(drawn, *_TELLS_RUNS)
    if track is None:
        raise ValueError("no sensor tells of the pump's runs")
    heard_s = np.sort(measured_s(drawn, track))
    nodes_s = _nodes_s(drawn, heard_s)
    span = _spans(drawn, nodes_s)
    worked_s, drift_s2, counter_s2 = _told(drawn, track, heard_s, nodes_s, span)
    unheard = _longest_gap_s(heard_s, nodes_s) > max(5.0 * track.sensor.every_s, 0.2 * NODE_S)
    drift_s2 = drift_s2 + np.where(unheard, GAP_SHARE * span.worked_s, 0.0) ** 2
    pit = drawn.parameters.pit
    left_s = pit.slop_off_m / pit.drawdown_m * _lift_s(drawn)
    error_s2 = np.full(nodes_s.size, left_s**2 + counter_s2)
    return RunsHeard(nodes_s, np.cumsum(worked_s), drift_s2, error_s2, drawn.house.runs)


@dataclass(frozen=True, slots=True)
class _Spans:
    """From each moment to the next, all (K,) with 0 for the first: length, the pump's time on [s], and its runs."""

    length_s: Array
    worked_s: Array
    runs: Array


def _nodes_s(drawn: Episode, heard_s: Array) -> Array:
    """Ends of runs while the pump was heard, NODE_S and more apart [s], the first one earliest."""
    stops = drawn.house.runs.stop_s
    found: list[float] = []
    for stop_s in stops[(stops >= heard_s[0]) & (stops <= heard_s[-1])].tolist():
        if not found or stop_s - found[-1] >= NODE_S:
            found.append(stop_s)
    return np.asarray(found if found else [float(heard_s[0])])


def _spans(drawn: Episode, nodes_s: Array) -> _Spans:
    runs = drawn.house.runs
    count = np.searchsorted(runs.stop_s, nodes_s + 1e-6).astype(np.float64)
    length_s, worked_s, number = (np.diff(x, prepend=x[:1]) for x in (nodes_s, ran_s(runs, nodes_s), count))
    return _Spans(length_s, worked_s, number)


def _lift_s(drawn: Episode) -> float:
    """Time in which the pump lifts what is between its levels, were nothing to flow in [s]."""
    return drawdown_l(drawn.parameters) / drawn.parameters.pump.rate_l_per_min * 60.0


def _told(drawn: Episode, track: Track, heard_s: Array, nodes_s: Array, span: _Spans) -> tuple[Array, Array, float]:
    """What a sensor tells of the pump's work from moment to moment [s], the variances that it gathers [s²], and that
    of a counter's step [s²]."""
    truth = drawn.parameters
    if track.sensor.quantity is Quantity.PUMP_ENERGY:
        step_s = 3600.0 * track.sensor.step / truth.pump.running_w
        return span.worked_s, np.zeros(nodes_s.size), step_s**2 / 6.0
    every_s = EDGE_S if track.sensor.on_change else track.sensor.every_s
    slop_s2 = span.runs * (truth.pit.slop_on_m / truth.pit.drawdown_m * _lift_s(drawn)) ** 2
    run_s, cycle_s = (x / np.maximum(span.runs, 1.0) for x in (span.worked_s, span.length_s))
    seen = run_s >= every_s
    counted_s2 = np.where(seen, np.minimum(slop_s2, span.runs * every_s**2 / 6.0), slop_s2)
    hit_s, hit_s2 = _hits(drawn, every_s, heard_s, nodes_s), span.worked_s * np.maximum(every_s - run_s, 0.0)
    counted = seen | (cycle_s >= COUNTED_CYCLE * every_s)
    return np.where(counted, span.worked_s, hit_s), np.where(counted, counted_s2, hit_s2 + every_s**2 / 6.0), 0.0


def _hits(drawn: Episode, every_s: float, heard_s: Array, nodes_s: Array) -> Array:
    """Samples from moment to moment that found the pump running, each for the time between two samples [s]."""
    on = np.concatenate([[0.0], np.cumsum(drawn.house.pump.at(heard_s) > 0.0)])
    return every_s * np.diff(on[np.searchsorted(heard_s, nodes_s)], prepend=on[np.searchsorted(heard_s, nodes_s[0])])


def _longest_gap_s(heard_s: Array, nodes_s: Array) -> Array:
    """The longest time without a message that ends between each moment and the one before [s], (K,)."""
    gaps = np.diff(heard_s)
    found = np.zeros(nodes_s.size)
    np.maximum.at(found, np.minimum(np.searchsorted(nodes_s, heard_s[1:]), nodes_s.size - 1), gaps)
    return found


@dataclass(frozen=True, slots=True)
class DischargeHeard:
    """What the charge showed while the pack carried the house once.

    start_s : float — when that began [s of the house]
    shown : tuple[float, float] | None — least and greatest charge that the last message before it leaves open [%]
    full : bool — whether that was as full as the pack gets
    level_percent : (J,) — borders of the shown steps that the charge crossed [%]
    before_s, after_s : (J,) — between which times it did [s]: messages, or, of one sent on change, within a run
    step_percent : float — of the shown charge [%]
    """

    start_s: float
    shown: tuple[float, float] | None
    full: bool
    level_percent: Array
    before_s: Array
    after_s: Array
    step_percent: float


MOST_MOMENTS = 50
"""Changes of the charge that are looked at in one discharge; of finer steps every few."""

FULL_H = 8.0
"""Hours on mains after which a pack is as full as it gets."""


def discharges_heard(drawn: Episode, at_s: float) -> tuple[DischargeHeard, ...]:
    """What the charge showed in each discharge up to a time [s of the house], the present one last."""
    since_s = drawn.house.spans[0].start_s
    found = []
    for span in drawn.house.spans:
        if span.supply is Supply.PACK and span.start_s < at_s:
            found.append(_discharge(drawn, span, at_s, since_s))
            since_s = span.stop_s
    return tuple(found)


def _discharge(drawn: Episode, span: SupplySpan, at_s: float, since_s: float) -> DischargeHeard:
    full = span.start_s - since_s > 3600.0 * FULL_H
    nothing = np.zeros(0)
    track = track_of(drawn, Quantity.PACK_CHARGE)
    if track is None:
        return DischargeHeard(span.start_s, None, full, nothing, nothing, nothing, 0.0)
    times, order = np.unique(measured_s(drawn, track), return_index=True)
    values, step = track.value[order], track.sensor.step
    before = times <= span.start_s
    inside = (times > span.start_s) & (times <= min(at_s, span.stop_s))
    offset = 0.0 if track.sensor.round_down else -0.5 * step
    shown = None
    if before.any():
        low = float(values[before][-1]) + offset
        shown = (max(low, 0.0), min(low + step, 100.0))
    first = max(int(np.count_nonzero(before)) - 1, 0)
    last = first + int(np.count_nonzero(inside)) + 1
    own_s, own = times[first:last], values[first:last]
    fell = np.flatnonzero(np.diff(own) < -0.5 * step)
    fell = fell[np.unique(np.linspace(fell.size - 1, 0, MOST_MOMENTS).round().astype(int))] if fell.size else fell
    level, after_s = own[fell + 1] + step + offset, own_s[fell + 1]
    before_s = np.maximum(_before_s(drawn, track, own_s[fell], after_s), span.start_s)
    return DischargeHeard(span.start_s, shown, full, level, before_s, after_s, step)


def _before_s(drawn: Episode, track: Track, last_s: Array, after_s: Array) -> Array:
    """From when on the charge can have changed that was told at after_s: since the last message [s].

    Of a charge that is cut and sent on change, since the pump or another load last switched before that.
    """
    if not (track.sensor.on_change and track.sensor.round_down):
        return last_s
    edges_s = drawn.house.energy.times_s
    switched = np.searchsorted(edges_s, after_s - MOST_LATE_S) - 1
    missed = after_s - last_s > 1.5 * track.sensor.every_s
    return np.where(missed, last_s, np.maximum(last_s, edges_s[np.maximum(switched, 0)]))
