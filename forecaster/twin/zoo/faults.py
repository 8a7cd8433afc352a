"""Faults of devices and lines: devices die, stick or misread, and lines lose, delay or repeat messages.

Each fault takes the feeds of a scene and gives them back changed, so that several can follow one another. after_s and
for_s are seconds: from the beginning of the outage, and how long the fault lasts.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from forecaster.domain.quantities import Quantity
from forecaster.maths.arrays import Array
from forecaster.twin.sensors import Track
from forecaster.twin.zoo.feeds import Feed
from forecaster.twin.zoo.scenes import Scene

ANY = ""
"""Stands for every device."""

ALWAYS_S = -1e9
"""An after_s before every report, so that a fault is there from the first [s]."""


@dataclass(frozen=True, slots=True)
class Occasion:
    """What a fault acts on: the feeds as faults before it left them, their scene, and a source of chance."""

    feeds: Sequence[Feed]
    scene: Scene
    rng: np.random.Generator


@dataclass(frozen=True, slots=True)
class FaultTrack:
    """A track that a fault changes.

    since_s : (N,) — from the beginning of the outage to each report's own time, negative before it [s]
    """

    track: Track
    since_s: Array
    scene: Scene
    rng: np.random.Generator

    def after(self, after_s: float, for_s: float) -> NDArray[np.bool_]:
        """Which reports lie in [after_s, after_s + for_s) of the outage, (N,)."""
        return np.asarray((self.since_s >= after_s) & (self.since_s < after_s + for_s))


class DeviceTrouble(Protocol):
    """A fault that can be laid over the reports of a scene."""

    def strike(self, at: Occasion) -> list[Feed]:
        """The feeds with the fault in them."""
        ...


class ByTrack(ABC):
    """A fault that changes each feed's track by itself, for those feeds that it hits."""

    def strike(self, at: Occasion) -> list[Feed]:
        """The feeds with the fault in them."""
        return [replace(feed, track=self.change(_track(feed, at))) if self.hits(feed) else feed for feed in at.feeds]

    @abstractmethod
    def hits(self, feed: Feed) -> bool:
        """Whether the fault concerns this feed."""

    @abstractmethod
    def change(self, hit: FaultTrack) -> Track:
        """The track with the fault in it."""


def _track(feed: Feed, at: Occasion) -> FaultTrack:
    since_s = np.asarray((feed.track.time_ms - at.scene.start_ms) / 1000.0 - at.scene.transfer_s)
    return FaultTrack(feed.track, since_s, at.scene, at.rng)


class OfDevice(ByTrack):
    """A fault of all that one device reports, or every device where `device` is ANY."""

    device: str

    def hits(self, feed: Feed) -> bool:
        """Whether the feed is from the device."""
        return self.device in (ANY, feed.sensor.device)


class OfQuantity(ByTrack):
    """A fault of all feeds of one quantity."""

    quantity: Quantity

    def hits(self, feed: Feed) -> bool:
        """Whether the feed is of the quantity."""
        return feed.sensor.quantity is self.quantity


@dataclass(frozen=True)
class Silenced(OfDevice):
    """A device is not heard from after_s on, for for_s [s]. Where `buffered`, it sends all of that once it is back."""

    device: str
    after_s: float
    for_s: float = np.inf
    buffered: bool = False

    def change(self, hit: FaultTrack) -> Track:
        """Drop the reports within the silence, or let them arrive in order at its end."""
        away = hit.after(self.after_s, self.for_s)
        if not self.buffered:
            return hit.track.taken(~away)
        back_ms = hit.scene.start_ms + round(1000.0 * (hit.scene.transfer_s + self.after_s + self.for_s))
        arrived = hit.track.arrived_ms.copy()
        arrived[away] = back_ms + 5 * np.arange(int(away.sum()))
        return replace(hit.track, arrived_ms=arrived)


@dataclass(frozen=True)
class Batched(OfDevice):
    """A device sends what it measured all at once, every every_s [s], with the times of measuring."""

    device: str
    every_s: float

    def change(self, hit: FaultTrack) -> Track:
        """Let each report arrive at the end of its batch."""
        batch_ms = round(1000.0 * self.every_s)
        return replace(hit.track, arrived_ms=(hit.track.arrived_ms // batch_ms + 1) * batch_ms)


@dataclass(frozen=True)
class Stuck(OfQuantity):
    """A value no longer changes from after_s on, for for_s [s].

    value : float | None — what is reported meanwhile, in the stored unit; None: the last value before
    """

    quantity: Quantity
    after_s: float
    value: float | None = None
    for_s: float = np.inf

    def change(self, hit: FaultTrack) -> Track:
        """Put the one value in place of all that fall into the span."""
        stuck = hit.after(self.after_s, self.for_s)
        before = hit.track.value[hit.since_s < self.after_s]
        value = hit.track.value.copy()
        value[stuck] = self.value if self.value is not None else before[-1] if before.size else 0.0
        return replace(hit.track, value=value)


@dataclass(frozen=True)
class Misread(OfQuantity):
    """A value is read wrongly, and never below 0.

    factor : float — what it is multiplied by, always
    by : float — what is added to it from after_s on, in the stored unit
    high : float — the greatest value that is reported
    """

    quantity: Quantity
    factor: float = 1.0
    by: float = 0.0
    after_s: float = ALWAYS_S
    high: float = np.inf

    def change(self, hit: FaultTrack) -> Track:
        """Multiply, shift, and hold within 0 and `high`."""
        value = hit.track.value * self.factor + np.where(hit.since_s >= self.after_s, self.by, 0.0)
        return replace(hit.track, value=np.clip(value, 0.0, self.high))


@dataclass(frozen=True)
class Inverted(OfQuantity):
    """A state is reported the wrong way round: yes as no, and no as yes."""

    quantity: Quantity

    def change(self, hit: FaultTrack) -> Track:
        """Report the other state."""
        return replace(hit.track, value=1.0 - hit.track.value)


@dataclass(frozen=True)
class Chattering(OfQuantity):
    """A contact that reports every every_s [s], and in the outage the wrong state in a share of its reports, 0..1."""

    quantity: Quantity
    share: float
    every_s: float

    def change(self, hit: FaultTrack) -> Track:
        """Make reports at the cadence, and some of them wrong once the outage has begun."""
        first, last = int(hit.track.time_ms[0]), int(hit.track.time_ms[-1])
        times = np.arange(first, last, round(1000.0 * self.every_s), dtype=np.int64)
        at = np.searchsorted(hit.track.time_ms, times, side="right") - 1
        value = hit.track.value[np.maximum(at, 0)]
        started = (times - hit.scene.start_ms) / 1000.0 >= hit.scene.transfer_s
        wrong = started & (hit.rng.random(times.size) < self.share)
        return replace(hit.track, time_ms=times, value=np.where(wrong, 1.0 - value, value), arrived_ms=times + 300)


@dataclass(frozen=True)
class CounterResets(OfQuantity):
    """An energy counter starts again from zero every every_s [s]."""

    quantity: Quantity
    every_s: float

    def change(self, hit: FaultTrack) -> Track:
        """Count from the first report after each reset."""
        lap = np.floor(hit.since_s / self.every_s)
        first = np.concatenate([[0], np.flatnonzero(np.diff(lap)) + 1])
        base = np.repeat(hit.track.value[first], np.diff(np.concatenate([first, [hit.track.value.size]])))
        return replace(hit.track, value=hit.track.value - base)


@dataclass(frozen=True)
class Lost(OfDevice):
    """A share of the reports, 0..1, never arrives."""

    device: str
    share: float

    def change(self, hit: FaultTrack) -> Track:
        """Drop reports at random."""
        return hit.track.taken(hit.rng.random(hit.track.value.size) >= self.share)


@dataclass(frozen=True)
class Late(OfDevice):
    """Reports arrive late, each by a random delay of mean_s [s] on average, and so out of order."""

    device: str
    mean_s: float

    def change(self, hit: FaultTrack) -> Track:
        """Delay each report by an exponential time of its own."""
        late_ms = (1000.0 * hit.rng.exponential(self.mean_s, size=hit.track.value.size)).astype(np.int64)
        return replace(hit.track, arrived_ms=hit.track.arrived_ms + late_ms)


@dataclass(frozen=True)
class Repeated(OfDevice):
    """A share of the messages, 0..1, arrives a second time, less than within_ms [ms] later."""

    device: str
    share: float
    within_ms: int = 4000

    def change(self, hit: FaultTrack) -> Track:
        """Append the copies at the end of the track."""
        twice = np.flatnonzero(hit.rng.random(hit.track.value.size) < self.share)
        again = hit.track.taken(twice)
        arrived = again.arrived_ms + hit.rng.integers(5, self.within_ms, size=twice.size)
        return _joined(hit.track, replace(again, arrived_ms=arrived))


def _joined(track: Track, more: Track) -> Track:
    return replace(
        track,
        time_ms=np.concatenate([track.time_ms, more.time_ms]),
        value=np.concatenate([track.value, more.value]),
        arrived_ms=np.concatenate([track.arrived_ms, more.arrived_ms]),
    )


@dataclass(frozen=True)
class ClockOff(OfDevice):
    """A device's own times are off by offset_s [s], ahead where positive, from after_s on, for for_s [s]."""

    device: str
    offset_s: float
    after_s: float = ALWAYS_S
    for_s: float = np.inf

    def change(self, hit: FaultTrack) -> Track:
        """Shift the source times."""
        wrong = hit.after(self.after_s, self.for_s)
        offset: NDArray[np.int64] = wrong * np.int64(round(1000.0 * self.offset_s))
        return replace(hit.track, time_ms=hit.track.time_ms + offset)
