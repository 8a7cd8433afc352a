"""Readings as lines for InfluxDB, and rows of its answers as readings."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import msgspec

from collector.store.influx_server import InfluxTable, literal, quoted
from collector.store.outbox import Waiting
from forecaster.decoding.typed import from_json
from forecaster.domain.quantities import Quantity
from forecaster.domain.readings import Reading, SeriesPoint

SeriesKey = tuple[str, str, str]
Row = Mapping[str, float | int | str | None]

ARRIVED = "arrived"
"""The measurement that is followed. It has one series for each collector: the server merges series one by one, so a tag
for each site would make every query cost as many steps as there are sites."""


ESCAPED = str.maketrans({",": r"\,", "=": r"\=", " ": r"\ ", "\n": r"\n", "\t": r"\t", "\r": r"\r"})
"""What line protocol wants written otherwise in the value of a tag, as influxdb-client writes it. Lines are written
here, since that library's way by an object for each takes eight times as long."""


class ArrivedReading(msgspec.Struct, array_like=True):
    """A reading as it stands among the arrivals, a JSON array."""

    site: str
    quantity: Quantity
    subject: str
    source_ms: int
    value: float
    arrived_ms: int


def series_key(r: Reading) -> SeriesKey:
    """Site, quantity and subject of a reading."""
    return (r.site, r.quantity.value, r.subject)


def tags_key(tags: Mapping[str, str]) -> SeriesKey:
    """Site, quantity and subject of a table in the server's answer."""
    return (tags["site"], tags["quantity"], tags.get("subject", ""))


def where_series(site: str, quantity: str, subject: str) -> str:
    """The condition that a row is of one series."""
    return f"site = {literal(site)} AND quantity = {literal(quantity)} AND {quoted('subject')} = {literal(subject)}"


def beats(new: Reading, old: Reading) -> bool:
    """The rule of Reading: the later arrival stands; at equal arrival the greater value does."""
    return (new.arrived_ms, new.value) > (old.arrived_ms, old.value)


def changes(new: Reading, held: Reading) -> bool:
    """Whether a reading changes what is held."""
    return new.value != held.value and beats(new, held)


def reading_line(r: Reading) -> str:
    """A reading as a line of `reading`, its time in milliseconds."""
    subject = f",subject={_tag(r.subject)}" if r.subject else ""
    series = f"reading,quantity={r.quantity.value},site={_tag(r.site)}{subject}"
    return f"{series} arrived={r.arrived_ms},value={_number(r.value)} {r.time_ms}"


def arrival_line(w: Waiting, collector: str) -> str:
    """A reading as a line of `arrived`, its time in microseconds."""
    r = w.reading
    told = ArrivedReading(r.site, r.quantity, r.subject, r.time_ms, float(r.value), r.arrived_ms)
    text = msgspec.json.encode(told).decode().replace("\\", "\\\\").replace('"', '\\"')
    return f'{ARRIVED},collector={_tag(collector)} told="{text}" {w.stamp_us}'


def _tag(text: str) -> str:
    """The value of a tag in line protocol; a backslash at its end would hide what comes after it."""
    escaped = text.translate(ESCAPED)
    return f"{escaped} " if escaped.endswith("\\") else escaped


def _number(value: float) -> str:
    """A float in line protocol, as short as it can be written."""
    return str(float(value)).removesuffix(".0")


def reading_of(key: SeriesKey, row: Row) -> Reading:
    """The reading that a row of `reading` holds."""
    site, quantity, subject = key
    time_ms = whole(row["time"]) // 1000
    return Reading(site, Quantity(quantity), time_ms, real(row["value"]), int(real(row["arrived"])), subject)


def reading_of_arrival(row: Row) -> Reading:
    """The reading that a row of `arrived` holds."""
    told = from_json(str(row["told"]), ArrivedReading)
    return Reading(told.site, told.quantity, told.source_ms, told.value, told.arrived_ms, told.subject)


def wanted_of(rows: Sequence[Row], sites: frozenset[str] | None, room: int) -> tuple[list[Reading], int]:
    """The readings of some sites (None: all) among arrivals, as many as there is room for, and the rows gone through.

    Whoever follows half of the sites fills the room with twice as many rows.
    """
    wanted: list[Reading] = []
    for place, row in enumerate(rows):
        reading = reading_of_arrival(row)
        if sites is None or reading.site in sites:
            wanted.append(reading)
            if len(wanted) == room:
                return wanted, place + 1
    return wanted, len(rows)


def rows_of(tables: Sequence[InfluxTable]) -> list[Row]:
    """The rows of all tables."""
    return [row for table in tables for row in table.rows]


def single(row: Row) -> SeriesPoint:
    """A row as a point of a series."""
    value = real(row["value"])
    return SeriesPoint(whole(row["time"]) // 1000, 1, value, value, value)


def whole(value: float | int | str | None) -> int:
    """A cell that holds a number, as an integer."""
    assert isinstance(value, int | float)
    return int(value)


def real(value: float | int | str | None) -> float:
    """A cell that holds a number."""
    assert isinstance(value, int | float)
    return float(value)


def stamps_of(cursor: str | None) -> dict[str, int]:
    """Up to which stamp of each collector a cursor has read."""
    return {} if cursor is None else msgspec.json.decode(cursor, type=dict[str, int])
