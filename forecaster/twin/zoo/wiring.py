"""Wiring mistakes: two devices on one channel, payloads read wrongly, units that slipped, copies of one message."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from forecaster.domain.quantities import Quantity
from forecaster.domain.site import Channel
from forecaster.maths.arrays import Array
from forecaster.twin.electric import load_profile
from forecaster.twin.parameters import LoadTruth
from forecaster.twin.sensors import Sensor, Track
from forecaster.twin.zoo.faults import Occasion
from forecaster.twin.zoo.feeds import Feed, Wording
from forecaster.twin.zoo.scenes import Scene


@dataclass(frozen=True)
class Worded:
    """A quantity is sent in other words, to the channel as the owner wrote it; its messages have no own time.

    written : what the owner changed in the channel
    """

    quantity: Quantity
    wording: Wording
    written: Callable[[Channel], Channel] = lambda channel: channel

    def strike(self, at: Occasion) -> list[Feed]:
        """The feeds with the payloads worded so."""
        return [self._worded(feed) if feed.sensor.quantity is self.quantity else feed for feed in at.feeds]

    def _worded(self, feed: Feed) -> Feed:
        track = replace(feed.track, time_ms=feed.track.arrived_ms)
        channel = feed.channel
        if channel is not None:
            channel = self.written(replace(channel, value=None, time=None))
        return replace(feed, track=track, channel=channel, wording=self.wording)


@dataclass(frozen=True, slots=True)
class SecondLife:
    """What a second device lives through; times_s : (N,) — when it reports [s of the house]."""

    scene: Scene
    times_s: Array
    rng: np.random.Generator


@dataclass(frozen=True)
class SecondDevice:
    """A second device of the same kind speaks on a topic that the owner's wildcard takes as well.

    values : gives the second device's values at its times
    """

    quantity: Quantity
    values: Callable[[SecondLife], Array]

    def strike(self, at: Occasion) -> list[Feed]:
        """The feeds with the second device's among them, on one channel."""
        found: list[Feed] = []
        for feed in at.feeds:
            if feed.sensor.quantity is not self.quantity or feed.channel is None:
                found.append(feed)
                continue
            levels = feed.topic.split("/")
            wildcard = "/".join([*levels[:-2], "+", levels[-1]])
            found.append(replace(feed, channel=replace(feed.channel, topic=wildcard)))
            other = "/".join([*levels[:-2], f"{levels[-2]}-2", levels[-1]])
            found.append(Feed(self._second(feed.sensor, at), other, None))
        return found

    def _second(self, sensor: Sensor, at: Occasion) -> Track:
        times_s = np.arange(0.4 * sensor.every_s, at.scene.empty_s, min(sensor.every_s, 30.0))
        at_ms = at.scene.start_ms + np.round(1000.0 * times_s).astype(np.int64)
        return Track(sensor, at_ms, np.asarray(self.values(SecondLife(at.scene, times_s, at.rng))), at_ms + 200)


def full_pack(life: SecondLife) -> Array:
    """A second pack that stays full."""
    return np.full(life.times_s.shape, 100.0)


def other_pack(life: SecondLife) -> Array:
    """A second pack that carries something light: it has lost a third when the first is empty."""
    life_s = life.scene.empty_s - life.scene.transfer_s
    return np.floor(100.0 - 33.0 * np.clip((life.times_s - life.scene.transfer_s) / life_s, 0.0, 1.0))


def fridge_plug(life: SecondLife) -> Array:
    """A second plug with a fridge on it."""
    fridge = LoadTruth("fridge", 90.0, 2400.0, 800.0)
    return np.round(load_profile(fridge, 0.0, life.scene.empty_s, life.rng).at(life.times_s), 1)


def idle_plug(life: SecondLife) -> Array:
    """A second plug on which nothing runs."""
    return np.zeros(life.times_s.shape)


@dataclass(frozen=True)
class Copied:
    """The broker hands each message of a quantity over once for every filter that takes it; they have no own time."""

    quantity: Quantity
    apart_ms: int = 3

    def strike(self, at: Occasion) -> list[Feed]:
        """The feeds with the copies in them."""
        found: list[Feed] = []
        for feed in at.feeds:
            if feed.sensor.quantity is not self.quantity:
                found.append(feed)
                continue
            first = replace(feed.track, time_ms=feed.track.arrived_ms)
            later = first.arrived_ms + self.apart_ms
            again = replace(first, time_ms=later, arrived_ms=later)
            found += [replace(feed, track=first), replace(feed, track=again, channel=None)]
        return found
