"""What befalls reports: devices that die, stick, misread, and lines that lose, delay, repeat. Faults compose.

Each takes the feeds of a scene and gives them back changed. Times are seconds after the outage began.
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
"""Every device."""

ALWAYS_S = -1e9
"""From long before the first report on [s]."""


@dataclass(frozen=True, slots=True)
class Occasion:
    """What a fault meets: the feeds so far, the scene, and chance."""

    feeds: Sequence[Feed]
    scene: Scene
    rng: np.random.Generator


@dataclass(frozen=True, slots=True)
class FaultTrack:
    """A track that a fault changes.

    since_s : (N,) — seconds from the outage's beginning to each report
    """

    track: Track
    since_s: Array
    scene: Scene
    rng: np.random.Generator

    def after(self, after_s: float, for_s: float) -> NDArray[np.bool_]:
        """Which reports lie in a span of the outage, shape (N,)."""
        return np.asarray((self.since_s >= after_s) & (self.since_s < after_s + for_s))


class DeviceTrouble(Protocol):
    """Something that befalls the reports of a scene."""

    def strike(self, at: Occasion) -> list[Feed]:
        """The feeds with the fault in them."""
        ...


class ByTrack(ABC):
    """A fault that changes each track by itself, of one device or of all, of one quantity or of all."""

    def strike(self, at: Occasion) -> list[Feed]:
        """The feeds with the fault in them."""
        return [replace(feed, track=self.change(_track(feed, at))) if self.hits(feed) else feed for feed in at.feeds]

    @abstractmethod
    def hits(self, feed: Feed) -> bool:
        """Whether the fault is one of this feed's."""

    @abstractmethod
    def change(self, hit: FaultTrack) -> Track:
        """The track changed."""


def _track(feed: Feed, at: Occasion) -> FaultTrack:
    since_s = np.asarray((feed.track.time_ms - at.scene.start_ms) / 1000.0 - at.scene.transfer_s)
    return FaultTrack(feed.track, since_s, at.scene, at.rng)


class OfDevice(ByTrack):
    """Of all that a device reports; its `device` is ANY for every device."""

    device: str

    def hits(self, feed: Feed) -> bool:
        """Whether the feed is of the device."""
        return self.device in (ANY, feed.sensor.device)


class OfQuantity(ByTrack):
    """Of all feeds of a quantity."""

    quantity: Quantity

    def hits(self, feed: Feed) -> bool:
        """Whether the feed is of the quantity."""
        return feed.sensor.quantity is self.quantity


@dataclass(frozen=True)
class Silenced(OfDevice):
    """A device is not heard from after_s on, for for_s; with `buffered` it tells all of it when it is back."""

    device: str
    after_s: float
    for_s: float = np.inf
    buffered: bool = False

    def change(self, hit: FaultTrack) -> Track:
        """Drop what falls into the silence, or let it arrive at its end, in order."""
        away = hit.after(self.after_s, self.for_s)
        if not self.buffered:
            return hit.track.taken(~away)
        back_ms = hit.scene.start_ms + round(1000.0 * (hit.scene.transfer_s + self.after_s + self.for_s))
        arrived = hit.track.arrived_ms.copy()
        arrived[away] = back_ms + 5 * np.arange(int(away.sum()))
        return replace(hit.track, arrived_ms=arrived)


@dataclass(frozen=True)
class Batched(OfDevice):
    """A device sends what it measured only every so often, all at once, with its own times."""

    device: str
    every_s: float

    def change(self, hit: FaultTrack) -> Track:
        """Let each report arrive with its batch."""
        batch_ms = round(1000.0 * self.every_s)
        return replace(hit.track, arrived_ms=(hit.track.arrived_ms // batch_ms + 1) * batch_ms)


@dataclass(frozen=True)
class Stuck(OfQuantity):
    """A value no longer changes from after_s on, for for_s: the last one before, or a given one."""

    quantity: Quantity
    after_s: float
    value: float | None = None
    for_s: float = np.inf

    def change(self, hit: FaultTrack) -> Track:
        """Repeat the value."""
        stuck = hit.after(self.after_s, self.for_s)
        before = hit.track.value[hit.since_s < self.after_s]
        value = hit.track.value.copy()
        value[stuck] = self.value if self.value is not None else before[-1] if before.size else 0.0
        return replace(hit.track, value=value)


@dataclass(frozen=True)
class Misread(OfQuantity):
    """A value is off by a factor, and by a constant from after_s on."""

    quantity: Quantity
    factor: float = 1.0
    by: float = 0.0
    after_s: float = ALWAYS_S
    high: float = np.inf

    def change(self, hit: FaultTrack) -> Track:
        """Scale and shift."""
        value = hit.track.value * self.factor + np.where(hit.since_s >= self.after_s, self.by, 0.0)
        return replace(hit.track, value=np.clip(value, 0.0, self.high))


@dataclass(frozen=True)
class Inverted(OfQuantity):
    """Yes is told as no."""

    quantity: Quantity

    def change(self, hit: FaultTrack) -> Track:
        """Turn it round."""
        return replace(hit.track, value=1.0 - hit.track.value)


@dataclass(frozen=True)
class Chattering(OfQuantity):
    """A contact that tells the other state in a share of its reports, and reports every so often."""

    quantity: Quantity
    share: float
    every_s: float

    def change(self, hit: FaultTrack) -> Track:
        """Reports anew at the cadence, some of them wrong, once the outage has begun."""
        first, last = int(hit.track.time_ms[0]), int(hit.track.time_ms[-1])
        times = np.arange(first, last, round(1000.0 * self.every_s), dtype=np.int64)
        at = np.searchsorted(hit.track.time_ms, times, side="right") - 1
        value = hit.track.value[np.maximum(at, 0)]
        started = (times - hit.scene.start_ms) / 1000.0 >= hit.scene.transfer_s
        wrong = started & (hit.rng.random(times.size) < self.share)
        return replace(hit.track, time_ms=times, value=np.where(wrong, 1.0 - value, value), arrived_ms=times + 300)


@dataclass(frozen=True)
class CounterResets(OfQuantity):
    """An energy counter starts again from zero every so often."""

    quantity: Quantity
    every_s: float

    def change(self, hit: FaultTrack) -> Track:
        """Count from the last reset."""
        lap = np.floor(hit.since_s / self.every_s)
        first = np.concatenate([[0], np.flatnonzero(np.diff(lap)) + 1])
        base = np.repeat(hit.track.value[first], np.diff(np.concatenate([first, [hit.track.value.size]])))
        return replace(hit.track, value=hit.track.value - base)


@dataclass(frozen=True)
class Lost(OfDevice):
    """A share of the reports never arrives."""

    device: str
    share: float

    def change(self, hit: FaultTrack) -> Track:
        """Drop them by chance."""
        return hit.track.taken(hit.rng.random(hit.track.value.size) >= self.share)


@dataclass(frozen=True)
class Late(OfDevice):
    """Reports arrive late by chance and so out of order, by mean_s in the mean."""

    device: str
    mean_s: float

    def change(self, hit: FaultTrack) -> Track:
        """Delay each by itself."""
        late_ms = (1000.0 * hit.rng.exponential(self.mean_s, size=hit.track.value.size)).astype(np.int64)
        return replace(hit.track, arrived_ms=hit.track.arrived_ms + late_ms)


@dataclass(frozen=True)
class Repeated(OfDevice):
    """A share of the messages comes again within seconds."""

    device: str
    share: float
    within_ms: int = 4000

    def change(self, hit: FaultTrack) -> Track:
        """Append the copies."""
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
    """A device's own times are off by offset_s, from after_s on, for for_s."""

    device: str
    offset_s: float
    after_s: float = ALWAYS_S
    for_s: float = np.inf

    def change(self, hit: FaultTrack) -> Track:
        """Shift the source times."""
        wrong = hit.after(self.after_s, self.for_s)
        offset: NDArray[np.int64] = wrong * np.int64(round(1000.0 * self.offset_s))
        return replace(hit.track, time_ms=hit.track.time_ms + offset)
