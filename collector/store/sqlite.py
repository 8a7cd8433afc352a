"""Readings in one SQLite file: durable, idempotent, followed in the order of storing, pictured quickly.

A row is some 40 bytes: a series number instead of names, and the delay of its arrival instead of the arrival.
Down-sampled pictures come from summaries by five minutes and by the hour, kept beside the readings in the same
transaction; one that a late reading has made stale is marked and read from the readings until it is made anew.
"""

from __future__ import annotations

import contextlib
import math
import secrets
import sqlite3
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import TypeVar

from collector.alone import alone
from collector.store.following import Names, follow, newest_arrival_ms
from collector.store.rows import upsert
from collector.store.sqlite_file import (
    connect,
    free_bytes,
    move_aside_if_corrupt,
    newer,
    size_bytes,
    store_error,
    wal_bytes,
)
from collector.store.summaries import (
    HOURLY_SCHEMA,
    SUMMARY_MS,
    SUMMARY_SCHEMA,
    SeriesRequest,
    forget,
    mark_stale,
    pictured,
    renew,
    stale_count,
)
from collector.store.wear import WalMeter
from forecaster.domain.errors import StoreRefused, StoreUnavailable
from forecaster.domain.ports import StoreHealth, Tail
from forecaster.domain.quantities import Quantity
from forecaster.domain.readings import Reading, SeriesPoint
from forecaster.texts.catalogue import words

FIRST_SCHEMA = (
    """
CREATE TABLE meta (name TEXT PRIMARY KEY, value TEXT NOT NULL) STRICT, WITHOUT ROWID;
CREATE TABLE series (
  id INTEGER PRIMARY KEY, site TEXT NOT NULL, quantity TEXT NOT NULL, subject TEXT NOT NULL,
  UNIQUE (site, quantity, subject)
) STRICT;
CREATE TABLE reading (
  seq INTEGER PRIMARY KEY, series INTEGER NOT NULL, time_ms INTEGER NOT NULL,
  value REAL NOT NULL, lag_ms INTEGER NOT NULL, UNIQUE (series, time_ms)
) STRICT;
"""
    + SUMMARY_SCHEMA
)
STEPS = (FIRST_SCHEMA, HOURLY_SCHEMA)
"""The migrations of a file from each version to the next."""

VERSION = len(STEPS)

RENEW_FROM = 256
"""Stale summaries are renewed in batches of at least this many."""

PRUNE_ROWS = 20_000
"""Rows dropped in one transaction, so that writers are not kept waiting."""

READERS = 4
Key = tuple[str, str, str]
T = TypeVar("T")


class SqliteStore:
    """The ReadingStore port on one SQLite file, with one writer at a time.

    path : Path — made if missing
    owner : bool — check the file first and move a corrupt one aside; False for processes that only read
    wal_limit_bytes : int — from this size the write-ahead log is checkpointed and truncated
    """

    def __init__(self, path: Path, *, owner: bool = True, wal_limit_bytes: int = 64 << 20) -> None:
        self._path, self._wal_limit_bytes = path, wal_limit_bytes
        self._lock = threading.Lock()
        self._readers: list[sqlite3.Connection] = []
        self._series: dict[Key, int] = {}
        self._names = Names()
        self._says: list[str] = []
        self._wal_says: str | None = None
        self._closed = False
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            with alone(path.parent):  # a file that another process has just begun is no empty one
                self._open(owner)
        except sqlite3.Error as error:
            raise store_error(error, path) from error
        except OSError as error:
            raise StoreUnavailable(f"{path}: {error.strerror}") from error

    @property
    def path(self) -> Path:
        """The file."""
        return self._path

    def _open(self, owner: bool) -> None:
        moved = move_aside_if_corrupt(self._path, secrets.token_hex(4)) if owner else None
        if moved:
            self._says.append(moved.says)
        self._db = connect(self._path)
        with contextlib.ExitStack() as unfinished:
            unfinished.callback(self._db.close)
            self._prepare()
            self._meter = WalMeter(self._path)
            unfinished.pop_all()

    def _prepare(self) -> None:
        found = int(self._db.execute("PRAGMA user_version").fetchone()[0])
        if found > VERSION:
            raise StoreUnavailable(newer(self._path.name, found, VERSION))
        if found == VERSION:
            return
        self._db.execute("BEGIN IMMEDIATE")
        found = int(self._db.execute("PRAGMA user_version").fetchone()[0])  # another process may have been quicker
        for statement in filter(str.strip, ";".join(STEPS[found:]).split(";")):
            self._db.execute(statement)
        if found == 0:
            self._db.execute("INSERT INTO meta VALUES ('id', ?), ('next_seq', '1')", (secrets.token_hex(6),))
        self._db.execute(f"PRAGMA user_version={max(found, VERSION)}")
        self._db.execute("COMMIT")

    # -- writing

    def append(self, readings: Sequence[Reading]) -> int:
        """Store readings, durable on return; idempotent by identity. Returns how many rows are new or changed."""
        for reading in readings:
            if not math.isfinite(reading.value):
                raise StoreRefused(
                    words()(
                        "store.is_not_finite", site=reading.site, quantity=reading.quantity.value, reading=reading.value
                    )
                )
        if not readings:
            return 0
        changed = self._write(lambda: self._append(readings))
        self._watch_wal()
        return changed

    def _append(self, readings: Sequence[Reading]) -> int:
        db = self._db
        numbers = self._numbers(readings)
        seq = int(db.execute("SELECT value FROM meta WHERE name = 'next_seq'").fetchone()[0])
        rows = [
            (seq + place, number, r.time_ms, r.value, r.arrived_ms - r.time_ms)
            for place, (number, r) in enumerate(zip(numbers, readings, strict=True))
        ]
        changed = upsert(db, rows)
        if changed:
            db.execute("UPDATE meta SET value = ? WHERE name = 'next_seq'", (str(seq + len(rows)),))
            mark_stale(db, {(number, r.time_ms // SUMMARY_MS) for number, r in zip(numbers, readings, strict=True)})
            if stale_count(db) >= RENEW_FROM:
                renew(db)
        return changed

    def _numbers(self, readings: Sequence[Reading]) -> list[int]:
        known = self._series
        numbers = []
        for r in readings:
            key = (r.site, r.quantity.value, r.subject)
            number = known.get(key)
            if number is None:
                self._db.execute("INSERT OR IGNORE INTO series (site, quantity, subject) VALUES (?, ?, ?)", key)
                found = self._db.execute(
                    "SELECT id FROM series WHERE site = ? AND quantity = ? AND subject = ?", key
                ).fetchone()
                number = known[key] = int(found[0])
            numbers.append(number)
        return numbers

    def _write(self, work: Callable[[], T]) -> T:
        """Run an operation in one IMMEDIATE transaction. A failure is rolled back and raised as a StoreError."""
        with self._lock:
            self._refuse_if_closed()
            try:
                self._db.execute("BEGIN IMMEDIATE")
                result = work()
                self._db.execute("COMMIT")
                self._meter.read()
                return result
            except (sqlite3.Error, OverflowError) as error:
                self._series.clear()
                if self._db.in_transaction:
                    with contextlib.suppress(sqlite3.Error):
                        self._db.execute("ROLLBACK")
                raise store_error(error, self._path) from error

    def _watch_wal(self) -> None:
        """Checkpoint the write-ahead log when it has outgrown its limit; log a line where a reader prevents it."""
        size = wal_bytes(self._path)
        if size <= self._wal_limit_bytes:
            self._wal_says = None
            return
        with self._lock:
            try:
                busy = int(self._db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()[0])
            except sqlite3.OperationalError:
                busy = 1
        self._wal_says = words()("store.the_write_ahead_log_holds_mb", value=size >> 20) if busy else None

    def prune(self, before_ms: int) -> int:
        """Drop readings older than a time and give the disk back. Returns how many went."""
        gone = 0
        while True:
            dropped = self._write(lambda: self._drop(before_ms))
            gone += dropped
            if dropped < PRUNE_ROWS:
                break
        if gone:
            self._write(lambda: forget(self._db, before_ms))
        with self._lock:
            try:
                self._db.executescript("PRAGMA incremental_vacuum")  # execute() stops after one page
                self._db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
            except sqlite3.OperationalError as error:
                raise store_error(error, self._path) from error
        return gone

    def _drop(self, before_ms: int) -> int:
        gone = 0
        for (number,) in self._db.execute("SELECT id FROM series").fetchall():
            gone += self._db.execute(
                "DELETE FROM reading WHERE seq IN"
                " (SELECT seq FROM reading WHERE series = ? AND time_ms < ? ORDER BY time_ms LIMIT ?)",
                (number, before_ms, PRUNE_ROWS - gone),
            ).rowcount
            if gone >= PRUNE_ROWS:
                break
        return gone

    # -- reading

    @contextlib.contextmanager
    def _reading(self) -> Iterator[sqlite3.Connection]:
        """A connection for reading from one snapshot; it is returned afterwards, so that no snapshot lasts long."""
        with self._lock:
            self._refuse_if_closed()
            db = self._readers.pop() if self._readers else None
        with contextlib.ExitStack() as unfinished:  # whatever goes wrong, the connection is not left open
            try:
                if db is None:
                    db = connect(self._path)
                unfinished.callback(db.close)
                db.execute("PRAGMA query_only=1")
                db.execute("BEGIN")
                yield db
                db.execute("COMMIT")
            except sqlite3.Error as error:
                raise store_error(error, self._path) from error
            with self._lock:
                if len(self._readers) < READERS and not self._closed:
                    self._readers.append(db)
                    unfinished.pop_all()

    def tail(
        self, cursor: str | None, limit: int, sites: frozenset[str] | None = None, *, until: str | None = None
    ) -> Tail:
        """Readings stored after `cursor` (None: from the beginning), oldest first, at most `limit`; see the port.

        A cursor of a store that was moved aside and started afresh begins at the beginning.
        """
        with self._reading() as db:
            return follow(db, self._names, cursor, limit, sites, until)

    def latest(self, site: str) -> Mapping[tuple[Quantity, str], Reading]:
        """The newest reading by source time of each (quantity, subject)."""
        found: dict[tuple[Quantity, str], Reading] = {}
        with self._reading() as db:
            of_site = db.execute("SELECT id, quantity, subject FROM series WHERE site = ?", (site,)).fetchall()
            for number, name, subject in of_site:
                row = db.execute(
                    "SELECT time_ms, value, lag_ms FROM reading WHERE series = ? ORDER BY time_ms DESC LIMIT 1",
                    (number,),
                ).fetchone()
                if row is not None:
                    quantity = Quantity(name)
                    found[quantity, subject] = Reading(site, quantity, row[0], row[1], row[0] + row[2], subject)
        return found

    def series(
        self, site: str, quantity: Quantity, start_ms: int, end_ms: int, points: int | None = None, subject: str = ""
    ) -> list[SeriesPoint]:
        """Readings in [start_ms, end_ms), oldest first; with `points`, at most that many buckets that keep extremes."""
        if points is not None and points < 1:
            raise StoreRefused(words()("store.points_cannot_be_drawn_ask_for", points=points))
        with self._reading() as db:
            number = db.execute(
                "SELECT id FROM series WHERE site = ? AND quantity = ? AND subject = ?", (site, quantity.value, subject)
            ).fetchone()
            if number is None or end_ms <= start_ms:
                return []
            if points is None:
                rows = db.execute(
                    "SELECT time_ms, value FROM reading WHERE series = ? AND time_ms >= ? AND time_ms < ?"
                    " ORDER BY time_ms",
                    (number[0], start_ms, end_ms),
                ).fetchall()
                return [SeriesPoint(t, 1, v, v, v) for t, v in rows]
            return pictured(db, SeriesRequest(int(number[0]), start_ms, end_ms, points))

    def count(self, site: str | None = None) -> int:
        """How many readings are held."""
        with self._reading() as db:
            if site is None:
                return int(db.execute("SELECT count(*) FROM reading").fetchone()[0])
            return int(
                db.execute(
                    "SELECT count(*) FROM reading WHERE series IN (SELECT id FROM series WHERE site = ?)", (site,)
                ).fetchone()[0]
            )

    def sites(self) -> list[str]:
        """Sites with at least one reading, sorted."""
        with self._reading() as db:
            rows = db.execute(
                "SELECT DISTINCT site FROM series WHERE EXISTS"
                " (SELECT 1 FROM reading WHERE reading.series = series.id) ORDER BY site"
            ).fetchall()
        return [str(row[0]) for row in rows]

    def newest_arrival_ms(self) -> int | None:
        """When the newest reading of any site arrived, as far as the last stored ones tell; None: nothing is stored."""
        with self._reading() as db:
            return newest_arrival_ms(db)

    def health(self) -> StoreHealth:
        """How the store is."""
        free = free_bytes(self._path)
        says = [*self._says, *([self._wal_says] if self._wal_says else [])]
        size = size_bytes(self._path)
        if free is not None and free < LOW_FREE_BYTES:
            says.append(words()("store.only_mb_are_free_on_the", value=free >> 20))
        wal, written = wal_bytes(self._path), self._meter.written_bytes
        try:
            with self._reading() as db:
                db.execute("SELECT 1 FROM meta").fetchone()
        except StoreUnavailable as error:
            return StoreHealth(False, "; ".join([error.reason, *says]), size, free, 0, wal, written)
        return StoreHealth(True, "; ".join(says) or words()("store.sound"), size, free, 0, wal, written)

    def close(self) -> None:
        """Finish writing and let go."""
        with self._lock:
            if self._closed:
                return
            self._closed = True
            for reader in self._readers:
                reader.close()
            self._readers.clear()
            with contextlib.suppress(
                sqlite3.OperationalError
            ):  # a reader elsewhere keeps the log; the next start folds it
                self._db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
            self._db.close()

    def _refuse_if_closed(self) -> None:
        if self._closed:
            raise StoreUnavailable(words()("store.is_closed", path=self._path.name))


LOW_FREE_BYTES = 64 << 20
"""Less free disk space than this is reported [bytes]."""
