"""Readings of InfluxDB by the hour, in a bucket beside them that is kept for longer than they are.

The server sums them up itself (`SELECT … INTO`, which 1.x alone has) into the measurement `hour` of `<bucket>_hours`:
the tags of the readings; fields `n` (count), `low`, `high`, `total` (sum). An hour is summed up once it is over. One
into which a reading comes later is summed up again for that site, so each is what its readings are, however late they
came.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from contextlib import AbstractContextManager

import msgspec

from collector.store.influx_points import Row, real, rows_of, where_series, whole
from collector.store.influx_server import InfluxServer, literal, quoted
from collector.store.outbox import Outbox
from forecaster.decoding.typed import from_json
from forecaster.domain.readings import Reading, SeriesPoint
from forecaster.domain.times import DAY_MS, HOUR_MS

STATE = "hours"
"""The value in the outbox that holds the state."""

DAYS_AT_ONCE = 30
"""How many days one call sums up: an installation whose readings are older than its hours catches up bit by bit."""

PATIENCE_S = 300.0
"""How long the server may take for one day of all sites [s]."""


class _State(msgspec.Struct):
    """All hours before `until_ms` are summed up, but for those of `late`: a site, and its earliest such hour [ms]."""

    until_ms: int
    late: dict[str, int]


class Hours:
    """Sums the readings of one bucket up by the hour, as far as this writer's readings go, and reads the sums.

    One thread writes readings while another sums up, which takes long and is done without the lock.

    keep_s, hours_keep_s : int — retention of the readings, and of the hours [s]
    outbox : Outbox — of the writer; keeps how far the hours go
    lock : held by the writer from `mark` until the readings are on the server
    """

    def __init__(
        self,
        server: InfluxServer,
        bucket: str,
        keep_s: int,
        hours_keep_s: int,
        outbox: Outbox,
        lock: AbstractContextManager[bool],
    ) -> None:
        self._server, self._readings, self._bucket = server, bucket, f"{bucket}_hours"
        self._keep_s, self._hours_keep_s, self._outbox = keep_s, hours_keep_s, outbox
        self._kept = False
        self._lock = lock
        kept = outbox.meta(STATE)
        self._state = None if kept is None else from_json(kept, _State)
        self._edge_ms = 0 if self._state is None else self._state.until_ms
        self._doing: dict[str, int] = {}

    def prepare(self) -> None:
        """Make the bucket of the hours, if any are kept: on a 1.x server, for longer than the readings."""
        if 0 < self._keep_s < self._hours_keep_s and self._server.version().lstrip("v").startswith("1."):
            self._server.ensure_bucket(self._bucket, self._hours_keep_s)
            self._kept = True

    def edge_ms(self, now_ms: int) -> int:
        """From here on the readings are there; before, the hours answer [ms]; 0 where none are kept."""
        return -(-(now_ms - self._keep_s * 1000) // HOUR_MS) * HOUR_MS if self._kept else 0

    # -- writing
    def mark(self, readings: Iterable[Reading]) -> None:
        """Remember the hours that these readings change after they were summed up. Call under the lock."""
        if self._state is None:
            return
        found = dict(self._state.late)
        for r in readings:
            if r.time_ms < self._edge_ms:
                _lower(found, r.site, r.time_ms // HOUR_MS * HOUR_MS)
        if found != self._state.late:
            self._state.late = found
            self._keep(self._state)

    def sum_up(self, now_ms: int) -> None:
        """Sum up the hours that are over since the last time, and those with late readings. StoreUnavailable."""
        state = self._begun() if self._kept else None
        if state is None:
            return
        self._sum_up_late(state)
        over_ms = now_ms // HOUR_MS * HOUR_MS
        for start_ms in range(state.until_ms, over_ms, DAY_MS)[:DAYS_AT_ONCE]:
            stop_ms = min(start_ms + DAY_MS, over_ms)
            with self._lock:
                self._edge_ms = stop_ms  # from now on a reading before it is late
            self._into(start_ms, stop_ms)
            with self._lock:
                state.until_ms = stop_ms
                self._keep(state)

    def _begun(self) -> _State | None:
        """The state; the first time from the hour of the oldest reading; None while there is no reading."""
        rows = [] if self._state is not None else rows_of(self._server.query("SELECT first(value) FROM reading"))
        with self._lock:
            if rows:
                self._edge_ms = whole(rows[0]["time"]) // 1000 // HOUR_MS * HOUR_MS
                self._state = _State(self._edge_ms, {})
            return self._state

    def _sum_up_late(self, state: _State) -> None:
        """Sum up hours with late readings again, site by site; a reading that comes meanwhile is late anew."""
        with self._lock:
            self._doing, state.late = state.late, {}
        try:
            for site, from_ms in tuple(self._doing.items()):
                for start_ms in range(from_ms, self._edge_ms, DAY_MS):
                    self._into(start_ms, min(start_ms + DAY_MS, self._edge_ms), site)
                del self._doing[site]
        finally:
            with self._lock:
                for site, from_ms in self._doing.items():
                    _lower(state.late, site, from_ms)
                self._doing = {}
                self._keep(state)

    def _into(self, start_ms: int, stop_ms: int, site: str | None = None) -> None:
        """Have the server write the hours of [start_ms, stop_ms)."""
        of_site = "" if site is None else f" AND site = {literal(site)}"
        self._server.query(
            "SELECT count(value) AS n, min(value) AS low, max(value) AS high, sum(value) AS total"
            f" INTO {quoted(self._bucket)}.autogen.hour FROM {quoted(self._readings)}.autogen.reading"
            f" WHERE time >= {start_ms}ms AND time < {stop_ms}ms{of_site} GROUP BY time(1h), * fill(none)",
            timeout_s=PATIENCE_S,
        )

    def _keep(self, state: _State) -> None:
        """Write the state down; what is being done is still to do."""
        late = dict(state.late)
        for site, from_ms in self._doing.items():
            _lower(late, site, from_ms)
        self._outbox.set_meta(STATE, msgspec.json.encode(_State(state.until_ms, late)).decode())

    # -- reading
    def series(self, key: tuple[str, str, str], start_ms: int, end_ms: int, width_ms: int) -> list[SeriesPoint]:
        """The hours that begin in [start_ms, end_ms) in buckets of that width, the first of which holds start_ms."""
        where = f"{where_series(*key)} AND time >= {start_ms}ms AND time < {end_ms}ms"
        rows = rows_of(
            self._server.query(
                "SELECT sum(n) AS n, min(low) AS low, max(high) AS high, sum(total) AS total FROM hour"
                f" WHERE {where} GROUP BY time({width_ms}ms, {start_ms % width_ms}ms) fill(none)",
                self._bucket,
            )
        )
        return [_point(row) for row in rows]


def _lower(late: dict[str, int], site: str, hour_ms: int) -> None:
    late[site] = min(late.get(site, hour_ms), hour_ms)


def _point(row: Row) -> SeriesPoint:
    count = whole(row["n"])
    return SeriesPoint(
        whole(row["time"]) // 1000, count, real(row["low"]), real(row["high"]), real(row["total"]) / count
    )


def chained(older: Sequence[SeriesPoint], newer: Sequence[SeriesPoint]) -> list[SeriesPoint]:
    """Two parts of one series; the bucket that both have a share of becomes one point."""
    if not older or not newer or older[-1].time_ms != newer[0].time_ms:
        return [*older, *newer]
    a, b = older[-1], newer[0]
    count = a.count + b.count
    mean = (a.count * a.mean + b.count * b.mean) / count
    return [*older[:-1], SeriesPoint(a.time_ms, count, min(a.low, b.low), max(a.high, b.high), mean), *newer[1:]]
