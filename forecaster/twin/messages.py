"""Messages that devices would publish, some of them undecodable."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import groupby

import numpy as np

from forecaster.domain.quantities import STATES, Quantity
from forecaster.domain.readings import Reading
from forecaster.twin.draw import OUTLOOK_SENSOR, topic_of
from forecaster.twin.sensors import Sensor

BAD_PAYLOADS: tuple[bytes, ...] = (
    b'{"time": "2026-0',
    b"unavailable",
    b'{"value": NaN}',
    b'{"value": "12,5"}',
    b'{"value": null}',
    b"",
    b"\xff\xfe\x00",
    b'{"value": true, "value": 1e999}',
)
"""Payloads that no reading can be made of."""


@dataclass(frozen=True, slots=True)
class SimulatedMessage:
    """One MQTT message as published: topic, payload, and when it is sent, UTC milliseconds."""

    topic: str
    payload: bytes
    at_ms: int


def stamp(time_ms: int) -> str:
    """A time in UTC milliseconds as RFC 3339 text, in UTC and with milliseconds."""
    return datetime.fromtimestamp(time_ms / 1000.0, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def payload_of(quantity: Quantity, time_ms: int, value: float) -> bytes:
    """A reading as a device's JSON: its own time, and the value, which is true or false for a state.

    time_ms : int — source time, UTC milliseconds
    value : float — in the quantity's stored unit; a state is 0 or not
    """
    shown = value != 0.0 if quantity in STATES else round(value, 3)
    return json.dumps({"time": stamp(time_ms), "value": shown}).encode()


def outlook_payload(hours: list[tuple[int, float]]) -> bytes:
    """Rain to come as JSON: [hour start in UTC milliseconds, depth in mm] of each hour ahead."""
    return json.dumps({"hours": [{"at": stamp(at_ms), "mm": round(mm, 2)} for at_ms, mm in hours]}).encode()


def messages(
    readings: list[Reading], sensors: tuple[Sensor, ...], bad: float, rng: np.random.Generator
) -> Iterator[SimulatedMessage]:
    """Messages of readings, in the same order, with undecodable ones between them.

    readings : list[Reading] — in order of arrival
    sensors : tuple[Sensor, ...] — those behind the readings; they give the topics
    bad : float — chance of an undecodable message after a reading, 0..1; none come after rain to come
    """
    topics = {(sensor.quantity, sensor.subject): topic_of(sensor) for sensor in sensors}
    outlook_topic = topic_of(OUTLOOK_SENSOR)

    def bundle(reading: Reading) -> tuple[bool, int]:
        rain = reading.quantity is Quantity.RAIN_EXPECTED
        return rain, reading.arrived_ms if rain else -1

    for (rain, arrived_ms), together in groupby(readings, key=bundle):
        if rain:
            hours = [(reading.time_ms, reading.value) for reading in together]
            yield SimulatedMessage(outlook_topic, outlook_payload(hours), arrived_ms)
            continue
        for reading in together:
            topic = topics[reading.quantity, reading.subject]
            yield SimulatedMessage(
                topic, payload_of(reading.quantity, reading.time_ms, reading.value), reading.arrived_ms
            )
            if bad > 0.0 and rng.random() < bad:
                yield SimulatedMessage(topic, BAD_PAYLOADS[int(rng.integers(len(BAD_PAYLOADS)))], reading.arrived_ms)
