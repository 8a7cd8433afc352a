"""A line that delivers late and out of order: readings are held for as long as it takes, and none is lost."""

from __future__ import annotations

import pytest

from api.offline.zoo import BY_NAME
from forecaster.domain.quantities import Quantity
from forecaster.domain.readings import Reading
from forecaster.domain.times import HOUR_MS
from forecaster.engine import Engine
from forecaster.engine.buffer import HELD_MS, LATE_COUNT, LONGEST_HELD_MS, Buffer
from forecaster.twin.zoo.cases import zoo_case

MINUTE_MS = 60_000


def test_hours_over_a_line_that_is_late_by_minutes() -> None:
    """Each message two minutes late in the mean, by an exponential time of its own. Before, half of them were lost:
    17.5 (7.5 to 47.8) for a true 9.8 h.
    """
    case = zoo_case(BY_NAME["line-late"], 1)
    engine, coming = Engine(case.site), iter(case.readings)
    reading = next(coming)
    for _, at_ms in case.origins()[:2]:
        while reading.arrived_ms <= at_ms:
            engine.update(reading)
            reading = next(coming)
        said, true_h = engine.forecast(at_ms).hours_remaining, (case.reserve_ms - at_ms) / HOUR_MS
        assert said.p10 is not None
        assert said.p90 is not None
        assert said.p50 == pytest.approx(true_h, rel=0.15)
        assert said.p10 < true_h < said.p90 < 1.6 * true_h


def charge(at_ms: int, late_ms: int = 0) -> Reading:
    return Reading("larkspur", Quantity.PACK_CHARGE, at_ms - late_ms, 80.0, at_ms)


def heard(buffer: Buffer, until_min: int, late_ms: int, late_from: int, late_to: int) -> list[int]:
    """A reading a minute, and some that are late besides. Returns the source times in the order of release."""
    released = []
    for minute in range(until_min):
        due = buffer.add(charge(minute * MINUTE_MS))
        if late_from <= minute < late_to:
            buffer.add(charge(minute * MINUTE_MS, late_ms))
        if due:
            released += [item[0] for item in buffer.settle()]
    return released


def test_readings_are_held_longer_where_several_come_late_and_no_longer_than_needed() -> None:
    buffer = Buffer()
    heard(buffer, 30, 241_000, 10, 10 + LATE_COUNT - 1)
    assert buffer.held_ms == HELD_MS
    heard(buffer := Buffer(), 30, 241_000, 10, 25)
    assert 241_000 < buffer.held_ms <= LONGEST_HELD_MS
    heard(buffer, 120, 0, 0, 0)
    assert buffer.held_ms == HELD_MS


def test_once_learnt_the_release_is_in_order_and_never_steps_back() -> None:
    released = heard(Buffer(), 60, 241_000, 10, 60)
    after = released[released.index(30 * MINUTE_MS) :]
    assert after == sorted(after)


def test_a_device_that_uploads_half_an_hour_at_once_is_not_waited_for() -> None:
    heard(buffer := Buffer(), 60, 30 * MINUTE_MS, 10, 60)
    assert buffer.held_ms == HELD_MS
