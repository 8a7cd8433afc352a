"""Troubles of telemetry: gaps, duplicates, late messages, clock steps, counter resets."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from forecaster.domain.quantities import Quantity
from forecaster.twin.sensors import Track


@dataclass(frozen=True, slots=True)
class ClockStep:
    """A device's source times are off by offset_ms [ms] in [at_s, until_s) [s of the house]."""

    device: str
    at_s: float
    until_s: float
    offset_ms: int


@dataclass(frozen=True, slots=True)
class TelemetryGap:
    """Nothing is heard in [start_s, stop_s) [s of the house]: of one device, or of all where `device` is empty."""

    start_s: float
    stop_s: float
    device: str = ""


@dataclass(frozen=True, slots=True)
class Troubles:
    """What befalls the messages of an episode.

    duplicates, late, bad : float — share of messages sent twice, arriving late, or undecodable, 0..1
    late_s : float — mean delay of the late ones [s]
    resets_s : tuple[float, ...] — times at which the energy counter starts again from zero [s of the house]
    """

    gaps: tuple[TelemetryGap, ...] = ()
    clock_steps: tuple[ClockStep, ...] = ()
    duplicates: float = 0.0
    late: float = 0.0
    late_s: float = 20.0
    bad: float = 0.0
    resets_s: tuple[float, ...] = ()


def troubled(track: Track, troubles: Troubles, origin_ms: int, rng: np.random.Generator) -> Track:
    """A track after its troubles; undecodable messages are not among them. Duplicates stand at its end.

    origin_ms : int — time 0 of the house's own seconds, UTC milliseconds
    """
    times_s = (track.time_ms - origin_ms) / 1000.0
    keep = np.ones(times_s.size, dtype=bool)
    for gap in troubles.gaps:
        if gap.device in ("", track.sensor.device):
            keep &= ~((times_s >= gap.start_s) & (times_s < gap.stop_s))
    if track.sensor.quantity is Quantity.PUMP_ENERGY and troubles.resets_s:
        track = replace(track, value=_reset(track, times_s, troubles.resets_s))
    track, times_s = track.taken(keep), times_s[keep]
    source, arrived = track.time_ms.copy(), track.arrived_ms.copy()
    for step in troubles.clock_steps:
        if step.device == track.sensor.device:
            source[(times_s >= step.at_s) & (times_s < step.until_s)] += step.offset_ms
    late = rng.random(source.size) < troubles.late
    arrived[late] += (1000.0 * rng.exponential(troubles.late_s, size=int(late.sum()))).astype(np.int64)
    track = replace(track, time_ms=source, arrived_ms=arrived)
    twice = np.flatnonzero(rng.random(source.size) < troubles.duplicates)
    if not twice.size:
        return track
    again = replace(track.taken(twice), arrived_ms=arrived[twice] + rng.integers(5, 4000, size=twice.size))
    return replace(
        track,
        time_ms=np.concatenate([track.time_ms, again.time_ms]),
        value=np.concatenate([track.value, again.value]),
        arrived_ms=np.concatenate([track.arrived_ms, again.arrived_ms]),
    )


def _reset(track: Track, times_s: np.ndarray, resets_s: tuple[float, ...]) -> np.ndarray:
    value = track.value.copy()
    for at_s in sorted(resets_s):
        after = times_s >= at_s
        before = value[~after]
        if before.size and after.any():
            value[after] -= min(before[-1], value[after][0])
    return value
