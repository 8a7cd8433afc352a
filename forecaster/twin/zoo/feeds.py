"""Feeds: a device's reports of one quantity on their way to the broker, with topic and form of the payload."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from forecaster.domain.quantities import STATES, Quantity
from forecaster.domain.readings import Reading
from forecaster.domain.site import Channel
from forecaster.twin.draw import channel_of, topic_of
from forecaster.twin.messages import SimulatedMessage, payload_of
from forecaster.twin.sensors import Reporter, Sensor, Track
from forecaster.twin.zoo.gauges import Gauge
from forecaster.twin.zoo.scenes import Scene

Wording = Callable[[float], bytes]
"""Turns a value in its stored unit into the payload that a device sends, without the device's own time."""


@dataclass(frozen=True, slots=True)
class Feed:
    """One device's reports of one quantity.

    channel : Channel | None — the site file's channel for it; None where another feed's channel takes its messages
    wording : Wording | None — how payloads are written; None: JSON with the device's own time
    """

    track: Track
    topic: str
    channel: Channel | None
    wording: Wording | None = None

    @property
    def sensor(self) -> Sensor:
        """The sensor behind the reports."""
        return self.track.sensor

    @property
    def plain(self) -> bool:
        """Whether a correct decoder would turn its messages into its readings again, so that none need be made."""
        return self.wording is None and self.channel is not None and self.channel.topic == self.topic

    def messages(self) -> Iterator[SimulatedMessage]:
        """Its messages, in the order of the track."""
        track = self.track
        rows = zip(track.time_ms.tolist(), track.value.tolist(), track.arrived_ms.tolist(), strict=True)
        for time_ms, value, arrived_ms in rows:
            said = payload_of(self.sensor.quantity, time_ms, value) if self.wording is None else self.wording(value)
            yield SimulatedMessage(self.topic, said, arrived_ms)


def feed_of(sensor: Sensor, gauge: Gauge, scene: Scene, rng: np.random.Generator) -> Feed:
    """A sensor's reports of the whole scene, on its own channel. The charge is reported as the gauge shows it."""
    reporter = Reporter(scene.house, scene.parameters, scene.rain_mm_per_h, scene.start_ms)
    track = reporter.reports(sensor, 0.0, scene.empty_s, rng)
    if sensor.quantity is Quantity.PACK_CHARGE:
        track = _gauged(track, gauge, scene, rng)
    return Feed(track, topic_of(sensor), channel_of(sensor))


def _gauged(track: Track, gauge: Gauge, scene: Scene, rng: np.random.Generator) -> Track:
    sensor = track.sensor
    shown = gauge.shown(scene, (track.time_ms - scene.start_ms) / 1000.0, rng)
    if sensor.step > 0.0:
        steps = shown / sensor.step
        shown = sensor.step * (np.floor(steps + 1e-9) if sensor.round_down else np.round(steps))
    track = replace(track, value=np.asarray(shown))
    if not sensor.on_change:
        return track
    beat = np.floor((track.time_ms - scene.start_ms) / 1000.0 / sensor.every_s)
    return track.taken(np.concatenate([[True], (np.diff(track.value) != 0.0) | (np.diff(beat) > 0.0)]))


def readings_of(site: str, feeds: Sequence[Feed]) -> list[Reading]:
    """Readings of plain feeds, in order of arrival; a state is 1 or 0.

    site : str — the site's id
    """
    found = [
        Reading(site, feed.sensor.quantity, at, _stored(feed.sensor.quantity, value), arrived, feed.sensor.subject)
        for feed in feeds
        for at, value, arrived in zip(
            feed.track.time_ms.tolist(), feed.track.value.tolist(), feed.track.arrived_ms.tolist(), strict=True
        )
    ]
    return sorted(found, key=lambda reading: reading.arrived_ms)


def _stored(quantity: Quantity, value: float) -> float:
    return float(value != 0.0) if quantity in STATES else value


def messages_of(feeds: Sequence[Feed]) -> list[SimulatedMessage]:
    """Messages of all feeds, in order of arrival."""
    return sorted((m for feed in feeds for m in feed.messages()), key=lambda message: message.at_ms)
