"""Where a close look can matter in the quiet months of a simulated house, told from the messages themselves.

Bounds far inside those of any rule, and nothing of the engine: pauses and runs longer than usual, messages that stay
away, power at the pack's rating. Between these the manager is stepped seldom.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from forecaster.domain.quantities import STATES, Quantity
from forecaster.twin.episode import Episode
from forecaster.twin.sensors import Track

MINUTE = 60_000
Q = Quantity
PLUG = frozenset({Q.PUMP_POWER, Q.PUMP_CURRENT, Q.PUMP_ENERGY, Q.PUMP_RUNNING, Q.PIT_FLOAT})
PUMP = PLUG | {Q.PACK_OUTPUT_POWER}
LONG_PAUSE = 1.6
OFTEN = 0.05
LONGEST_YET = 1.2
ENOUGH = 20
USUAL_OVER = 20
LONG_RUN = 4.0
LEAST_LONG_RUN_MS = 100_000
SEVERAL_BEATS = 2.5
SILENT_ALONE_MS, SILENT_ALL_MS = 25 * MINUTE, 13 * MINUTE
AFTER_MS = 5 * MINUTE

Times = NDArray[np.int64]
Spans = list[tuple[int, int]]


@dataclass(frozen=True)
class Looks:
    """Spans of time, in order and apart, in which the manager is watched closely [UTC milliseconds].

    always : bool — all of the time
    """

    starts: tuple[int, ...] = ()
    stops: tuple[int, ...] = ()
    always: bool = False

    @classmethod
    def of(cls, spans: Spans) -> Looks:
        """Looks of spans that may overlap."""
        starts: list[int] = []
        stops: list[int] = []
        for start, stop in sorted(spans):
            if stops and start <= stops[-1]:
                stops[-1] = max(stops[-1], stop)
            else:
                starts.append(start)
                stops.append(stop)
        return cls(tuple(starts), tuple(stops))

    def within(self, at_ms: int) -> bool:
        """Whether a moment is watched closely."""
        index = bisect_right(self.starts, at_ms) - 1
        return self.always or (index >= 0 and at_ms < self.stops[index])

    def next_ms(self, at_ms: int) -> int:
        """When the next span begins after a moment."""
        index = bisect_right(self.starts, at_ms)
        return self.starts[index] if index < len(self.starts) else 1 << 62


ALWAYS = Looks(always=True)


def looks_of(drawn: Episode) -> Looks:
    """Where the messages of an episode give reason for a close look."""
    spans: Spans = []
    telling = [
        track for track in drawn.tracks if track.sensor.quantity in PUMP or track.sensor.quantity is Q.PACK_CHARGE
    ]
    measured = {track.sensor.quantity for track in drawn.tracks}
    for track in drawn.tracks:
        # the pack's output tells of the pump where nothing else does
        if track.sensor.quantity in PUMP and not (track.sensor.quantity is Q.PACK_OUTPUT_POWER and measured & PLUG):
            begins, ends = _edges(track, drawn.parameters.pump.running_w)
            spans += _long_pauses(begins) + _long_runs(begins, ends)
        if track.sensor.quantity is Q.PUMP_POWER and drawn.site.pack.continuous_w is not None:
            spans += _at_rating(track, drawn.site.pack.continuous_w)
    for track in telling:
        beats_ms = int(SEVERAL_BEATS * 1000.0 * track.sensor.every_s)
        spans += _away(np.sort(track.arrived_ms), max(SILENT_ALONE_MS, beats_ms))
    spans += _away(np.sort(np.concatenate([track.arrived_ms for track in telling])), SILENT_ALL_MS)
    return Looks.of(spans)


def _edges(track: Track, running_w: float) -> tuple[Times, Times]:
    """First and last reading of every run as sampled [ms]."""
    times, first = np.unique(track.time_ms, return_index=True)  # repeats come after all others
    value, quantity = track.value[first], track.sensor.quantity
    if quantity is Q.PUMP_ENERGY:
        on = np.concatenate([[False], np.diff(value) != 0.0])
    elif quantity in STATES:
        on = value >= 0.5
    else:
        on = value > value.min(initial=0.0) + 0.5 * running_w
    edge = np.flatnonzero(np.diff(np.concatenate([[0], on.astype(np.int8), [0]])))
    return times[edge[::2]], times[edge[1::2] - 1]


def _usual(lengths: NDArray[np.float64]) -> NDArray[np.float64]:
    """Median of the ones before each; infinite for the first few."""
    usual = np.full(lengths.size, np.inf)
    for index in range(5, lengths.size):
        usual[index] = np.median(lengths[max(index - USUAL_OVER, 0) : index])
    return usual


def _long_pauses(begins: Times) -> Spans:
    """From where a pause is longer than usual: for even pauses soon, for uneven ones beyond the longest yet."""
    lengths = np.diff(begins).astype(np.float64)
    if not lengths.size:
        return []
    bound = LONG_PAUSE * _usual(lengths)
    if float(np.mean(lengths > bound)) > OFTEN:
        longest = np.concatenate([[np.inf], np.maximum.accumulate(lengths)[:-1]])
        longest[:ENOUGH] = np.inf
        bound = np.maximum(bound, LONGEST_YET * longest)
    where = np.flatnonzero(lengths > bound)
    return [(int(begins[k] + bound[k]), int(begins[k + 1]) + AFTER_MS) for k in where]


def _long_runs(begins: Times, ends: Times) -> Spans:
    lengths = (ends - begins).astype(np.float64)
    where = np.flatnonzero((lengths > LEAST_LONG_RUN_MS) & (lengths > LONG_RUN * _usual(lengths)))
    return [(int(begins[k]) + LEAST_LONG_RUN_MS, int(ends[k]) + AFTER_MS) for k in where]


def _at_rating(track: Track, rating_w: float) -> Spans:
    pinned = np.flatnonzero((track.value > 0.96 * rating_w) & (track.value < 1.03 * rating_w))
    return [(int(track.arrived_ms[k]), int(track.arrived_ms[k]) + 2 * MINUTE) for k in pinned]


def _away(arrived: Times, longest_ms: int) -> Spans:
    where = np.flatnonzero(np.diff(arrived) > longest_ms)
    return [(int(arrived[k]) + longest_ms, int(arrived[k + 1]) + AFTER_MS) for k in where]
