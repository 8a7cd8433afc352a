"""Wiring mistakes: two devices on one channel, payloads of another form, wrong units, copies of one message."""

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
    """A quantity is sent in payloads of another form, without the device's own time.

    wording : Wording — writes the payload
    written : Callable — gives the channel as the owner wrote it from one that reads the bare payload
    """

    quantity: Quantity
    wording: Wording
    written: Callable[[Channel], Channel] = lambda channel: channel

    def strike(self, at: Occasion) -> list[Feed]:
        """The feeds, with the payloads of the quantity in that form."""
        return [self._worded(feed) if feed.sensor.quantity is self.quantity else feed for feed in at.feeds]

    def _worded(self, feed: Feed) -> Feed:
        track = replace(feed.track, time_ms=feed.track.arrived_ms)
        channel = feed.channel
        if channel is not None:
            channel = self.written(replace(channel, value=None, time=None))
        return replace(feed, track=track, channel=channel, wording=self.wording)


@dataclass(frozen=True, slots=True)
class SecondLife:
    """What a second device needs to know of the house to report.

    times_s : (N,) — when it reports [s of the house]
    """

    scene: Scene
    times_s: Array
    rng: np.random.Generator


@dataclass(frozen=True)
class SecondDevice:
    """A second device of the same kind sends on a topic that the owner's wildcard also matches.

    values : Callable — gives the second device's values at its times, (N,), in the quantity's stored unit
    """

    quantity: Quantity
    values: Callable[[SecondLife], Array]

    def strike(self, at: Occasion) -> list[Feed]:
        """The feeds with the second device's among them; both devices share one channel."""
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
    """Charge of a second pack that stays full [%]."""
    return np.full(life.times_s.shape, 100.0)


def other_pack(life: SecondLife) -> Array:
    """Charge of a second pack with a light load [%]: it has lost a third when the first is empty."""
    life_s = life.scene.empty_s - life.scene.transfer_s
    return np.floor(100.0 - 33.0 * np.clip((life.times_s - life.scene.transfer_s) / life_s, 0.0, 1.0))


def fridge_plug(life: SecondLife) -> Array:
    """Power at a second plug with a fridge on it [W]."""
    fridge = LoadTruth("fridge", 90.0, 2400.0, 800.0)
    return np.round(load_profile(fridge, 0.0, life.scene.empty_s, life.rng).at(life.times_s), 1)


def idle_plug(life: SecondLife) -> Array:
    """Power at a second plug on which nothing runs [W]."""
    return np.zeros(life.times_s.shape)


@dataclass(frozen=True)
class Copied:
    """The broker delivers each message of a quantity twice, once for each of two filters that match its topic.

    apart_ms : int — time between the two [ms]
    Messages have no time of the device's own, so the two differ in time.
    """

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
