"""The ledger on SQLAlchemy Core: SQLite by default, PostgreSQL unchanged apart from how it says "insert or replace"."""

from __future__ import annotations

import sqlite3

from sqlalchemy import and_, delete, func, select, tuple_

from collector.store import ledger_schema as t
from collector.store.ledger_alarms import AlarmsAndOutbox
from collector.store.ledger_intake import IntakeNotes
from collector.store.ledger_people import People
from collector.store.sqlite_file import free_bytes, size_bytes, store_error, wal_bytes
from forecaster.domain.errors import StoreUnavailable
from forecaster.domain.ports import StoreHealth

DAY_MS = 86_400_000
THINNED_MS = 600_000
"""Past forecasts older than a day are thinned to one in this long when pruning."""


class SqlLedger(AlarmsAndOutbox, People, IntakeNotes):
    """The Ledger port on an SQLAlchemy engine, as made by `collector.store.open.open_ledger`: its parts and upkeep."""

    def prune(self, before_ms: int) -> int:
        """Drop runs, past forecasts, settled deliveries, cleared alarms older than a time; tests are kept for ever.

        Outages are kept for ever too. Past forecasts more than a day older than their site's newest are thinned.
        """
        e, f, d, a, x = t.events.c, t.forecasts.c, t.deliveries.c, t.alarms.c, t.transitions.c
        cleared = and_(a.cleared_ms.is_not(None), a.cleared_ms < before_ms)
        kept = select(f.site, func.min(f.issued_ms)).group_by(f.site, f.issued_ms // THINNED_MS)
        newest = select(func.max(f.issued_ms)).scalar_subquery()
        statements = (
            delete(t.events).where(e.kind != "outage", e.start_ms < before_ms),
            delete(t.forecasts).where(f.issued_ms < before_ms),
            delete(t.forecasts).where(f.issued_ms < newest - DAY_MS, tuple_(f.site, f.issued_ms).not_in(kept)),
            delete(t.deliveries).where(d.open.is_(False), d.created_ms < before_ms),
            delete(t.transitions).where(x.id.in_(select(a.id).where(cleared))),
            delete(t.alarms).where(cleared),
            delete(t.requests).where(t.requests.c.at_ms < before_ms),
        )
        gone = self._write(lambda c: sum(c.execute(statement).rowcount for statement in statements))
        self._give_back()
        return gone

    def _give_back(self) -> None:
        """Return freed pages to the disk, where the engine does not do so by itself."""
        if self._path is None:
            return
        with self._lock:
            raw = self._engine.raw_connection()
            try:
                raw.cursor().executescript("PRAGMA incremental_vacuum")
            except sqlite3.Error as error:
                raise store_error(error, self._path) from error
            finally:
                raw.close()

    def health(self) -> StoreHealth:
        """How the ledger is."""
        size = None if self._path is None else size_bytes(self._path)
        free = None if self._path is None else free_bytes(self._path)
        try:
            self._rows(select(t.schema.c.version))
            waiting = self._rows(select(func.count().label("n")).where(t.deliveries.c.open.is_(True)))[0]["n"]
        except StoreUnavailable as error:
            return StoreHealth(False, error.reason, size, free)
        wal = None if self._path is None else wal_bytes(self._path)
        return StoreHealth(True, self._says or "sound", size, free, int(waiting), wal)

    def close(self) -> None:
        """Finish writing and let go."""
        with self._lock:
            self._engine.dispose()
