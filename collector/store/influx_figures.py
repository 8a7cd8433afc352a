"""Forecasts, alarms and runs as points beside the readings, so that any dashboard on the server can draw them.

Only for people's eyes: the program itself reads none of it, and the ledger stays the record. Times are in milliseconds.

- `forecast`, tag site, at the time of issue: hours_p05 … hours_p95, charge_percent, usable_wh, draw_w, cycles_per_hour,
  minutes_to_floor, data_age_s (numbers; one that is not known is left out), supply and basis (texts)
- `alarm`, tags site and kind, at its newest change: open (1 or 0), priority and state (texts)
- `run`, tag site, at its start: seconds, energy_wh, power_w (numbers), supply (text)
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import msgspec
from influxdb_client.client.write.point import Point
from influxdb_client.domain.write_precision import WritePrecision

from collector.config.settings import Installation
from collector.store.influx_server import InfluxServer, parse_address
from forecaster.domain.alarms import OPEN, Alarm
from forecaster.domain.records import StoredForecast
from forecaster.domain.runs import Run

BATCH = 5_000
"""Points in one request."""

FORECAST_FIELDS = ("charge_percent", "usable_wh", "draw_w", "cycles_per_hour", "data_age_s")


class FigureStore:
    """Writes such points into the bucket of the readings. Close it when done.

    server : InfluxServer; bucket : str; keep_s : int — retention of that bucket [s], 0 for ever
    """

    def __init__(self, server: InfluxServer, bucket: str, keep_s: int) -> None:
        self._server, self._bucket, self._keep_s = server, bucket, keep_s
        self._made = False

    def write(self, points: Iterable[Point]) -> int:
        """Write points; the same point again changes nothing. Returns how many. StoreUnavailable, StoreRefused."""
        lines = [point.to_line_protocol() for point in points]
        if lines and not self._made:
            self._server.ensure_bucket(self._bucket, self._keep_s)
            self._made = True
        for first in range(0, len(lines), BATCH):
            self._server.write(self._bucket, lines[first : first + BATCH], WritePrecision.MS)
        return len(lines)

    def close(self) -> None:
        """Let go of the connections."""
        self._server.close()


def open_figures(installation: Installation) -> FigureStore:
    """The figures of an installation whose readings are on an InfluxDB server. ConfigError."""
    address = parse_address(installation.store.url, installation.store.token())
    return FigureStore(InfluxServer(address), address.bucket, round(installation.retention.readings_days * 86_400))


def forecast_point(stored: StoredForecast) -> Point:
    """A forecast as a point."""
    document = msgspec.json.decode(stored.document)
    hours, water = document.get("hours_remaining") or {}, document.get("water") or {}
    numbers = {f"hours_{level}": value for level, value in hours.items()}
    numbers |= {name: document.get(name) for name in FORECAST_FIELDS}
    numbers["minutes_to_floor"] = water.get("minutes_to_floor")
    texts = {"supply": document.get("supply"), "basis": document.get("basis")}
    return _point("forecast", stored.issued_ms, {"site": stored.site}, numbers, texts)


def alarm_point(alarm: Alarm) -> Point:
    """An alarm's newest change as a point."""
    tags = {"site": alarm.site, "kind": alarm.kind.value}
    texts = {"priority": alarm.priority.value, "state": alarm.state.value}
    return _point("alarm", alarm.changed_ms, tags, {"open": alarm.state in OPEN}, texts)


def run_point(run: Run) -> Point:
    """A run of the pump as a point."""
    numbers = {"seconds": run.run_s, "energy_wh": run.energy_wh, "power_w": run.power_w}
    return _point("run", run.start_ms, {"site": run.site}, numbers, {"supply": run.supply.value})


def _point(
    measurement: str,
    at_ms: int,
    tags: Mapping[str, str],
    numbers: Mapping[str, float | None],
    texts: Mapping[str, str | None],
) -> Point:
    """A point with the fields that are known."""
    point: Point = Point(measurement).time(at_ms, WritePrecision.MS)
    for name, text in tags.items():
        point.tag(name, text)
    for name, number in numbers.items():
        if number is not None:
            point.field(name, float(number))
    for name, said in texts.items():
        if said is not None:
            point.field(name, said)
    return point
