"""Readings as line protocol, held against the points of influxdb-client."""

from __future__ import annotations

import msgspec
from hypothesis import given
from hypothesis import strategies as st
from influxdb_client.client.write.point import Point
from influxdb_client.domain.write_precision import WritePrecision

from collector.store.influx_points import ARRIVED, arrival_line, reading_line
from collector.store.outbox import Waiting
from forecaster.domain.quantities import Quantity
from forecaster.domain.readings import Reading

times = st.integers(min_value=0, max_value=2**53)
names = st.text(min_size=1, max_size=20)
readings = st.builds(
    Reading,
    names,
    st.sampled_from(Quantity),
    times,
    st.floats(allow_nan=False, allow_infinity=False),
    st.integers(min_value=0, max_value=10**15),
    st.just("") | names,
)


@given(readings)
def test_a_reading_is_the_line_that_the_library_makes(reading: Reading) -> None:
    """Source: influxdb-client, Point.to_line_protocol. Arrivals were floats, which it writes without the point."""
    point = Point("reading").tag("site", reading.site).tag("quantity", reading.quantity.value)
    if reading.subject:
        point.tag("subject", reading.subject)
    point.field("value", reading.value).field("arrived", float(reading.arrived_ms)).time(reading.time_ms)
    assert reading_line(reading) == point.to_line_protocol()


@given(readings, times, names)
def test_an_arrival_is_the_line_that_the_library_makes(reading: Reading, stamp_us: int, collector: str) -> None:
    """Source: influxdb-client, Point.to_line_protocol."""
    r = reading
    told = msgspec.json.encode([r.site, r.quantity.value, r.subject, r.time_ms, r.value, r.arrived_ms]).decode()
    point = Point(ARRIVED).tag("collector", collector).field("told", told).time(stamp_us, WritePrecision.US)
    assert arrival_line(Waiting(stamp_us, reading), collector) == point.to_line_protocol()
