"""A durable local queue of readings that a server store has not confirmed yet."""

from __future__ import annotations

import contextlib
import sqlite3
import threading
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from forecaster.domain.errors import StoreRefused, StoreUnavailable
from forecaster.domain.quantities import Quantity
from forecaster.domain.readings import Reading
from forecaster.texts.catalogue import words

WARN_SHARE = 0.8
"""Share of the allowed bytes from which the queue counts as nearly full."""

_SCHEMA = """
CREATE TABLE IF NOT EXISTS waiting (
  stamp_us INTEGER PRIMARY KEY,
  site TEXT NOT NULL, quantity TEXT NOT NULL, subject TEXT NOT NULL,
  time_ms INTEGER NOT NULL, value REAL NOT NULL, arrived_ms INTEGER NOT NULL
) STRICT;
CREATE TABLE IF NOT EXISTS meta (name TEXT PRIMARY KEY, value TEXT NOT NULL) STRICT;
"""


COLUMNS = "site, quantity, time_ms, value, arrived_ms, subject"
"""A reading, in the order of its fields."""

KEEP = "INSERT OR REPLACE INTO meta VALUES (?, ?)"


@dataclass(frozen=True, slots=True)
class Waiting:
    """A reading in the queue and its stamp: microseconds, unique and rising, the order of storing."""

    stamp_us: int
    reading: Reading


class Outbox:
    """The readings that are not yet on the server: a row is removed only when the server has confirmed it.

    path : Path — SQLite file; made if missing
    max_bytes : int — beyond this `put` raises StoreUnavailable, so that the broker keeps the messages
    """

    def __init__(self, path: Path, max_bytes: int) -> None:
        path.parent.mkdir(parents=True, exist_ok=True)
        self._path, self._max_bytes = path, max_bytes
        self._lock = threading.Lock()
        self._db = sqlite3.connect(path, isolation_level=None, check_same_thread=False)
        with contextlib.ExitStack() as unfinished:
            unfinished.callback(self._db.close)
            self._db.execute("PRAGMA auto_vacuum=INCREMENTAL")
            self._db.execute("PRAGMA journal_mode=WAL")
            self._db.execute("PRAGMA synchronous=FULL")
            self._db.executescript(_SCHEMA)
            row = self._db.execute("SELECT max(stamp_us) FROM waiting").fetchone()
            kept = self.meta("last_stamp_us")
            self._last_stamp_us = max(row[0] or 0, int(kept) if kept is not None else 0)
            self._count: int = self._db.execute("SELECT count(*) FROM waiting").fetchone()[0]
            unfinished.pop_all()

    def put(self, readings: Sequence[Reading], now_us: int) -> None:
        """Queue readings, durable on return. StoreUnavailable when the queue is full or the disk cannot be written."""
        if self.size_bytes() > self._max_bytes:
            raise StoreUnavailable(
                words()(
                    "store.readings_wait_for_the_server_and",
                    path=self._path,
                    count=self._count,
                    max_bytes=self._max_bytes,
                )
            )
        with self._lock:
            first = max(self._last_stamp_us + 1, now_us)
            rows = [
                (first + i, r.site, r.quantity.value, r.subject, r.time_ms, r.value, r.arrived_ms)
                for i, r in enumerate(readings)
            ]
            with self._writing():
                self._db.executemany("INSERT INTO waiting VALUES (?,?,?,?,?,?,?)", rows)
            self._last_stamp_us = first + len(rows) - 1
            self._count += len(rows)

    @contextlib.contextmanager
    def _writing(self) -> Iterator[None]:
        """One transaction. StoreUnavailable where the disk cannot be written; nothing is changed then."""
        try:
            self._db.execute("BEGIN IMMEDIATE")
            yield
            self._db.execute("COMMIT")
        except sqlite3.OperationalError as error:
            if self._db.in_transaction:
                self._db.execute("ROLLBACK")
            raise StoreUnavailable(f"{self._path}: {error}") from error

    def peek(self, limit: int) -> list[Waiting]:
        """The oldest waiting readings, at most `limit`, in order."""
        with self._lock:
            rows = self._db.execute(
                f"SELECT stamp_us, {COLUMNS} FROM waiting ORDER BY stamp_us LIMIT ?", (limit,)
            ).fetchall()
        return [Waiting(row[0], _reading(*row[1:])) for row in rows]

    def confirm(self, up_to_stamp_us: int) -> None:
        """Remove what the server has confirmed, up to a stamp and including it. StoreUnavailable."""
        with self._lock:
            with self._writing():
                gone = self._db.execute("DELETE FROM waiting WHERE stamp_us <= ?", (up_to_stamp_us,)).rowcount
                self._db.execute(KEEP, ("last_stamp_us", str(self._last_stamp_us)))
            self._count -= gone
            if self._count == 0:
                with contextlib.suppress(sqlite3.OperationalError):  # a full disk: the next time gives the room back
                    self._db.executescript("PRAGMA incremental_vacuum")  # execute() stops after one page
                    self._db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()

    def meta(self, name: str) -> str | None:
        """A small named value."""
        with self._lock:
            row = self._db.execute("SELECT value FROM meta WHERE name = ?", (name,)).fetchone()
        return None if row is None else str(row[0])

    def set_meta(self, name: str, value: str) -> None:
        """Keep a small named value. StoreUnavailable when the disk cannot be written."""
        with self._lock, self._writing():
            self._db.execute(KEEP, (name, value))

    def __len__(self) -> int:
        return self._count

    def size_bytes(self) -> int:
        """Bytes on disk of the waiting readings; pages freed by confirmed ones are not counted."""
        with self._lock:
            pages, free, size = (
                self._db.execute(f"PRAGMA {name}").fetchone()[0]
                for name in ("page_count", "freelist_count", "page_size")
            )
        return int((pages - free) * size)

    @property
    def last_queued_ms(self) -> int | None:
        """When a reading was last queued, by the clock of that time [ms]; None: never."""
        return self._last_stamp_us // 1000 or None

    def nearly_full(self) -> bool:
        """Whether the queue takes more than its warning share of the allowed bytes."""
        return self.size_bytes() > WARN_SHARE * self._max_bytes

    def close(self) -> None:
        """Close the file; waiting readings stay in it."""
        with self._lock:
            self._db.close()


def readings_in(path: Path) -> list[Reading]:
    """The readings in a copy of an outbox, in order; the file is not changed. StoreRefused where it is none."""
    try:
        db = sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro&immutable=1", uri=True)
        try:
            rows = db.execute(f"SELECT {COLUMNS} FROM waiting ORDER BY stamp_us").fetchall()
        finally:
            db.close()
    except sqlite3.Error as error:
        raise StoreRefused(words()("store.is_not_an_outbox", path=path, error=str(error))) from error
    return [_reading(*row) for row in rows]


def _reading(site: str, quantity: str, time_ms: int, value: float, arrived_ms: int, subject: str) -> Reading:
    return Reading(site, Quantity(quantity), time_ms, value, arrived_ms, subject)
