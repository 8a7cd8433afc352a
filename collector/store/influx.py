"""Readings on an InfluxDB server, behind a durable local outbox.

On the server, one bucket holds the measurement `reading` (tags site, quantity, subject; fields value and arrived, both
floats; millisecond times: the same identity is the same point). A second bucket, kept for two weeks, holds the
measurement `arrived`: the same readings in the order of storing, one unique microsecond stamp each, so that other
processes can follow; one series a collector and one text field, for it is only ever read in order. A `mark` is written
after each batch, and followers read up to the mark only. A batch that was cut short between the three is written again
whole, stamps and all.
"""

from __future__ import annotations

import math
import threading
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import msgspec
from influxdb_client.client.write.point import Point
from influxdb_client.domain.write_precision import WritePrecision

from collector.backoff import Backoff
from collector.store.influx_hours import Hours, chained
from collector.store.influx_points import (
    ARRIVED,
    Row,
    SeriesKey,
    arrival_line,
    beats,
    changes,
    reading_line,
    reading_of,
    reading_of_arrival,
    real,
    rows_of,
    series_key,
    single,
    stamps_of,
    tags_key,
    wanted_of,
    where_series,
    whole,
)
from collector.store.influx_server import BodyTooLarge, InfluxServer, InfluxTable, literal
from collector.store.outbox import Outbox, Waiting
from forecaster.domain.errors import StoreRefused, StoreUnavailable
from forecaster.domain.ports import Clock, StoreHealth, Tail
from forecaster.domain.quantities import Quantity
from forecaster.domain.readings import Reading, SeriesPoint
from forecaster.domain.times import HOUR_MS
from forecaster.texts.catalogue import words

RETRY_S = (1.0, 60.0)
"""Waits while the server is unavailable: the first and the longest [s]."""

BATCH = 5000
"""Readings in one request, as InfluxDB recommends for write batches."""

ARRIVALS_KEPT_S = 14 * 86400
"""How far behind a follower may be."""

BEGUN = "begun_us"
"""The value in the outbox that holds the last stamp whose writing was begun."""

LEAST_SPAN_US, MOST_SPAN_US = 100_000, 30 * 86_400 * 1_000_000
"""Span of arrivals in one query, from a tenth of a second to thirty days [us]."""

Refused = Callable[[Reading, str], None]


@dataclass(slots=True)
class _Away:
    """A server that is unavailable: since when, when to try again, and its error."""

    backoff: Backoff
    until_s: float = 0.0
    says: str = ""

    def fail(self, now_s: float, says: str) -> None:
        self.until_s, self.says = now_s + self.backoff.fail(), says

    def succeed(self) -> None:
        self.backoff.succeed()
        self.until_s, self.says = 0.0, ""


class InfluxStore:
    """The ReadingStore port on InfluxDB.

    server : InfluxServer
    bucket : str — bucket of the readings; arrivals go to `<bucket>_arrivals`
    collector : str — names this writer, whose arrivals are in order; two that run at the same time must differ
    outbox : Path — the local queue; max_bytes bounds it
    keep_s : int — retention of readings [s]; 0 for ever
    hours_keep_s : int — retention of their sums by the hour [s]; kept only where it is longer than keep_s
    refused : called with a reading that the server refuses, and the reason; the caller quarantines it
    """

    def __init__(
        self,
        server: InfluxServer,
        bucket: str,
        outbox: Path,
        clock: Clock,
        refused: Refused,
        *,
        collector: str,
        max_bytes: int = 1 << 30,
        keep_s: int = 0,
        hours_keep_s: int = 0,
    ) -> None:
        self._server, self._bucket, self._clock = server, bucket, clock
        self._arrivals, self._collector, self._keep_s = f"{bucket}_arrivals", collector, keep_s
        self._outbox = Outbox(outbox, max_bytes)
        self._refused = refused
        self._away = _Away(Backoff(*RETRY_S, collector))
        self._drain_lock = threading.RLock()
        self._hours = Hours(server, bucket, keep_s, hours_keep_s, self._outbox, self._drain_lock)
        self._newest_ms: dict[SeriesKey, int] | None = None
        self._drops = False
        self._begun_us = int(self._outbox.meta(BEGUN) or 0)
        self._span_us = LEAST_SPAN_US
        self._stop = threading.Event()
        self._retry = threading.Thread(target=self._retry_loop, name="influx-outbox", daemon=True)
        self._retry.start()

    # -- writing
    def append(self, readings: Sequence[Reading]) -> int:
        """Queue readings durably, then write them if the server is available; see the port."""
        for r in readings:
            if not math.isfinite(r.value):
                raise StoreRefused(
                    words()(
                        "store.at_is_no_number_it_cannot",
                        site=r.site,
                        quantity=r.quantity,
                        time_ms=r.time_ms,
                        r=r.value,
                    )
                )
        if not readings:
            return 0
        with self._drain_lock:
            self._outbox.put(readings, self._clock.now_ms() * 1000)
            if self._clock.monotonic_s() < self._away.until_s:
                return len(readings)
            changed = self.drain()
        return len(readings) if changed is None else changed

    def drain(self) -> int | None:
        """Write the waiting readings in order. Returns the rows new or changed; None if the server is unavailable."""
        changed = 0
        with self._drain_lock:
            try:
                while waiting := self._outbox.peek(BATCH):
                    changed += self._write(waiting)
                    self._outbox.confirm(waiting[-1].stamp_us)
            except StoreUnavailable as error:
                self._away.fail(self._clock.monotonic_s(), error.reason)
                return None
            self._away.succeed()
        return changed

    def _retry_loop(self) -> None:
        while not self._stop.wait(0.5):
            if len(self._outbox) and self._clock.monotonic_s() >= self._away.until_s:
                self.drain()

    def _write(self, waiting: Sequence[Waiting]) -> int:
        newest_ms = self._prepared()
        cut_short = waiting[0].stamp_us <= self._begun_us
        effective = self._effective(waiting, known=not cut_short)
        self._begun_us = max(self._begun_us, waiting[-1].stamp_us)
        self._outbox.set_meta(BEGUN, str(self._begun_us))
        self._hours.mark(w.reading for w in effective)
        taken = self._write_lines(self._bucket, [(w, reading_line(w.reading)) for w in effective], WritePrecision.MS)
        if taken:
            arrivals = [(w, arrival_line(w, self._collector)) for w in taken]
            self._write_lines(self._arrivals, arrivals, WritePrecision.US)
            mark = Point("mark").tag("collector", self._collector).field("count", float(len(taken)))
            mark.time(taken[-1].stamp_us, WritePrecision.US)
            self._server.write(self._arrivals, [mark.to_line_protocol()], WritePrecision.US)
        for w in taken:
            key = series_key(w.reading)
            newest_ms[key] = max(newest_ms.get(key, w.reading.time_ms), w.reading.time_ms)
        return len(taken)

    def _prepared(self) -> dict[SeriesKey, int]:
        """The newest time of each series [ms], queried once, after the buckets have been made."""
        with self._drain_lock:
            if self._newest_ms is None:
                self._drops = self._server.ensure_bucket(self._bucket, self._keep_s)
                self._server.ensure_bucket(self._arrivals, ARRIVALS_KEPT_S)
                self._hours.prepare()
                tables = self._server.query("SELECT last(value) FROM reading GROUP BY site, quantity, subject")
                self._newest_ms = {tags_key(t.tags): whole(t.rows[0]["time"]) // 1000 for t in tables if t.rows}
            return self._newest_ms

    def _query(self, influxql: str, bucket: str | None = None) -> list[InfluxTable]:
        self._prepared()
        return self._server.query(influxql, bucket)

    def _effective(self, waiting: Sequence[Waiting], *, known: bool) -> list[Waiting]:
        """The readings that change the store: one for each identity by the rule of Reading, less those already there.

        known : bool — whether followers were told of what the server holds; False where this batch was begun before
        """
        best: dict[tuple[str, str, str, int], Waiting] = {}
        for w in waiting:
            other = best.get(w.reading.key)
            if other is None or beats(w.reading, other.reading):
                best[w.reading.key] = w
        held = self._held(w.reading for w in best.values())
        if not known:
            held = {key: found for key, found in held.items() if key not in best or found != best[key].reading}
        keep = [w for key, w in best.items() if key not in held or changes(w.reading, held[key])]
        return sorted(keep, key=lambda w: w.stamp_us)

    def _held(self, readings: Iterable[Reading]) -> dict[tuple[str, str, str, int], Reading]:
        """The server's rows with the identities of those readings that are not newer than all earlier ones."""
        newest_ms = self._prepared()
        spans: dict[SeriesKey, tuple[int, int]] = {}
        for r in readings:
            key = series_key(r)
            if r.time_ms <= newest_ms.get(key, -1):
                low, high = spans.get(key, (r.time_ms, r.time_ms))
                spans[key] = (min(low, r.time_ms), max(high, r.time_ms))
        held = {}
        for key, (low, high) in spans.items():
            where = f"{where_series(*key)} AND time >= {low}ms AND time <= {high}ms"
            for table in self._server.query(f"SELECT value, arrived FROM reading WHERE {where}"):
                for row in table.rows:
                    found = reading_of(key, row)
                    held[found.key] = found
        return held

    def _write_lines(self, bucket: str, lines: Sequence[tuple[Waiting, str]], precision: str) -> list[Waiting]:
        """Write readings as lines; a refused batch is halved until the bad one stands alone and is given up."""
        if not lines:
            return []
        try:
            self._server.write(bucket, [line for _, line in lines], precision)
        except StoreRefused as error:
            if len(lines) == 1:
                if isinstance(error, BodyTooLarge):
                    raise StoreUnavailable(error.reason) from error
                self._refused(lines[0][0].reading, error.reason)
                return []
            middle = len(lines) // 2
            return [
                *self._write_lines(bucket, lines[:middle], precision),
                *self._write_lines(bucket, lines[middle:], precision),
            ]
        return [waiting for waiting, _ in lines]

    # -- reading
    def tail(
        self, cursor: str | None, limit: int, sites: frozenset[str] | None = None, *, until: str | None = None
    ) -> Tail:
        """Readings in the order of storing, per collector; the cursor is JSON of collector to stamp."""
        at, last = stamps_of(cursor), None if until is None else stamps_of(until)
        found: list[Reading] = []
        marks = self._query("SELECT last(count) FROM mark GROUP BY collector", self._arrivals)
        for mark in sorted(marks, key=lambda t: t.tags["collector"]):
            name, room = mark.tags["collector"], limit - len(found)
            if room <= 0:
                break
            low, high = at.get(name, 0), whole(mark.rows[0]["time"])
            if last is not None and (high := min(high, last.get(name, 0))) <= low:
                continue
            low = low or self._before_first_arrival_us(name, high)
            while low < high and room > 0:
                top = min(high, low + self._span_us)
                rows = self._arrival_rows(name, low, top, limit)
                wanted, taken = wanted_of(rows, sites, room)
                low = whole(rows[taken - 1]["time"]) if taken < len(rows) or len(rows) == limit else top
                if top < high or len(rows) == limit:
                    self._fit_span(len(rows), limit)
                found, room = found + wanted, room - len(wanted)
            at[name] = max(low, at.get(name, 0))
        return Tail(tuple(found), msgspec.json.encode(at).decode())

    def _fit_span(self, rows: int, limit: int) -> None:
        """Fit the span of arrivals to the limit: the server reads all of a span before it applies the limit."""
        if rows == limit:
            self._span_us = max(self._span_us // 2, LEAST_SPAN_US)
        elif rows < limit // 2:
            self._span_us = min(self._span_us * 2, MOST_SPAN_US)

    def _before_first_arrival_us(self, collector: str, none_us: int) -> int:
        """Just before the first arrival of a collector [us]; none_us where there is none."""
        where = f"WHERE collector = {literal(collector)}"
        rows = rows_of(self._query(f"SELECT first(told) FROM {ARRIVED} {where}", self._arrivals))
        return whole(rows[0]["time"]) - 1 if rows else none_us

    def _arrival_rows(self, collector: str, low_us: int, high_us: int, limit: int) -> tuple[Row, ...]:
        tables = self._query(
            f"SELECT told FROM {ARRIVED}"
            f" WHERE collector = {literal(collector)} AND time > {low_us}u AND time <= {high_us}u"
            f" ORDER BY time ASC LIMIT {limit}",
            self._arrivals,
        )
        return tables[0].rows if tables else ()

    def latest(self, site: str) -> Mapping[tuple[Quantity, str], Reading]:
        """The newest reading of each (quantity, subject)."""
        tables = self._query(
            f"SELECT value, arrived FROM reading WHERE site = {literal(site)}"
            " GROUP BY site, quantity, subject ORDER BY time DESC LIMIT 1"
        )
        newest = [reading_of(tags_key(t.tags), t.rows[0]) for t in tables if t.rows]
        return {(r.quantity, r.subject): r for r in newest}

    def series(
        self, site: str, quantity: Quantity, start_ms: int, end_ms: int, points: int | None = None, subject: str = ""
    ) -> list[SeriesPoint]:
        """Readings, or buckets that keep extremes, of whole hours where only those are left; see the port."""
        key = (site, quantity.value, subject)
        if points is None:
            where = f"{where_series(*key)} AND time >= {start_ms}ms AND time < {end_ms}ms"
            rows = rows_of(self._query(f"SELECT value FROM reading WHERE {where} ORDER BY time ASC"))
            return [single(row) for row in rows]
        bucket_ms = max(1, -(-(end_ms - start_ms) // points))
        self._prepared()
        edge_ms = self._hours.edge_ms(self._clock.now_ms())
        if start_ms >= edge_ms:
            return self._buckets(key, start_ms, end_ms, (bucket_ms, start_ms))
        bucket_ms = max(bucket_ms, HOUR_MS)
        older = self._hours.series(key, start_ms, min(edge_ms, end_ms), bucket_ms)
        return chained(older, self._buckets(key, edge_ms, end_ms, (bucket_ms, start_ms)))

    def _buckets(self, key: SeriesKey, start_ms: int, end_ms: int, grid: tuple[int, int]) -> list[SeriesPoint]:
        """The readings in [start_ms, end_ms) in buckets; grid : their width and where one begins [ms]."""
        where = f"{where_series(*key)} AND time >= {start_ms}ms AND time < {end_ms}ms"
        rows = rows_of(
            self._query(
                "SELECT count(value) AS n, min(value) AS low, max(value) AS high, mean(value) AS mean FROM reading"
                f" WHERE {where} GROUP BY time({grid[0]}ms, {grid[1] % grid[0]}ms) fill(none)"
            )
        )
        return [
            SeriesPoint(whole(r["time"]) // 1000, whole(r["n"]), real(r["low"]), real(r["high"]), real(r["mean"]))
            for r in rows
        ]

    def count(self, site: str | None = None) -> int:
        """How many readings the server holds."""
        where = "" if site is None else f" WHERE site = {literal(site)}"
        return sum(whole(r["count"]) for r in rows_of(self._query(f"SELECT count(value) FROM reading{where}")))

    def sites(self) -> list[str]:
        """Sites with at least one reading, sorted."""
        tables = self._query("SELECT last(value) FROM reading GROUP BY site")
        return sorted(t.tags["site"] for t in tables)

    def newest_arrival_ms(self) -> int | None:
        """When the newest reading of any site arrived; without the server, when one was last queued here."""
        newest = " ORDER BY time DESC LIMIT 1"
        try:
            if rows := rows_of(self._query(f"SELECT told FROM {ARRIVED}{newest}", self._arrivals)):
                return reading_of_arrival(rows[0]).arrived_ms
            rows = rows_of(self._query(f"SELECT arrived FROM reading{newest}"))
        except StoreUnavailable:
            return self._outbox.last_queued_ms
        return whole(rows[0]["arrived"]) if rows else self._outbox.last_queued_ms

    def prune(self, before_ms: int) -> int:
        """Sum readings up by the hour; drop older ones, unless the server's retention does so, by whole shards."""
        self._prepared()
        self._hours.sum_up(self._clock.now_ms())
        if self._drops:
            return 0
        where = f"time < {before_ms}ms"
        gone = sum(whole(r["count"]) for r in rows_of(self._query(f"SELECT count(value) FROM reading WHERE {where}")))
        if gone:
            stamp = datetime.fromtimestamp(before_ms / 1000, UTC).isoformat()
            self._query(f"DELETE FROM reading WHERE time < {literal(stamp.replace('+00:00', 'Z'))}")
        return gone

    def health(self) -> StoreHealth:
        """Whether the server answers, and how much waits for it."""
        waiting = len(self._outbox)
        if self._outbox.nearly_full():
            says = words()("store.readings_wait_for_influxdb_and_the", waiting=waiting)
            return StoreHealth(False, says, self._outbox.size_bytes(), pending=waiting)
        if self._away.says:
            says = words()("store.readings_wait_in_the_outbox_none", says=self._away.says, waiting=waiting)
            return StoreHealth(False, says, self._outbox.size_bytes(), pending=waiting)
        return StoreHealth(True, words()("store.sound"), self._outbox.size_bytes(), pending=waiting)

    def close(self) -> None:
        """Stop. Waiting readings stay in the outbox and are written after the next start."""
        self._stop.set()
        self._retry.join()
        with self._drain_lock:
            self._outbox.close()
        self._server.close()
