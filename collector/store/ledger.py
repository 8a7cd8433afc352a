"""The ledger on SQLAlchemy Core: SQLite by default, PostgreSQL unchanged apart from how it says "insert or replace"."""

from __future__ import annotations

import sqlite3
from functools import partial

from sqlalchemy import Connection, and_, delete, func, select

from collector.store import ledger_months as months
from collector.store import ledger_schema as t
from collector.store.ledger_alarms import LedgerAlarms
from collector.store.ledger_edits import EditNotes
from collector.store.ledger_intake import IntakeNotes
from collector.store.ledger_members import Membership
from collector.store.ledger_outbox import LedgerOutbox
from collector.store.ledger_people import People
from collector.store.ledger_queue import StudyQueue
from collector.store.ledger_record import LongRecord
from collector.store.sqlite_file import free_bytes, size_bytes, store_error, wal_bytes
from forecaster.domain.errors import StoreUnavailable
from forecaster.domain.ports import StoreHealth
from forecaster.domain.times import DAY_MS, HOUR_MS
from forecaster.texts.catalogue import words

THINNED_MS = ((DAY_MS, HOUR_MS // 6), (30 * DAY_MS, HOUR_MS))
"""Past forecasts older than the first, counted from their site's newest, are thinned to one in the second [ms]."""

THINNED_NOTE = "forecasts-thinned"
SITES_A_STEP = 100
"""Sites thinned in one transaction, so that writers are not kept waiting."""


class SqlLedger(LedgerAlarms, LedgerOutbox, People, IntakeNotes, LongRecord, EditNotes, Membership, StudyQueue):
    """The Ledger port on an SQLAlchemy engine, as made by `collector.store.open.open_ledger`: its parts and upkeep."""

    def prune(self, before_ms: int) -> int:
        """Drop runs, past forecasts, settled deliveries, cleared alarms older than a time; tests are kept for ever.

        Outages and the long record are kept for ever, too. Past forecasts are thinned as they grow old. On PostgreSQL
        runs and past forecasts go by the month, not row by row: they stay until their month is over, and are not among
        the rows that are counted.
        """
        for monthly in months.MONTHLY:
            self._write(partial(months.drop, monthly=monthly, before_ms=before_ms))
        e, d, a, x = t.events.c, t.deliveries.c, t.alarms.c, t.transitions.c
        cleared = and_(a.cleared_ms.is_not(None), a.cleared_ms < before_ms)
        statements = (
            delete(t.deliveries).where(d.open.is_(False), d.created_ms < before_ms),
            delete(t.transitions).where(x.id.in_(select(a.id).where(cleared))),
            delete(t.alarms).where(cleared),
            delete(t.requests).where(t.requests.c.at_ms < before_ms),
        )
        numbers = delete(t.changes).where(t.changes.c.id.in_(select(a.id).where(cleared)))

        def work(connection: Connection) -> int:
            connection.execute(numbers)
            until_ms = months.by_row_ms(connection, months.EVENTS, before_ms)
            events = delete(t.events).where(e.kind != "outage", e.start_ms < until_ms)
            return sum(connection.execute(statement).rowcount for statement in (events, *statements))

        gone = self._write(work)
        gone += self._thin(before_ms)
        for monthly in months.MONTHLY:
            self._write(partial(months.make, monthly=monthly, since_ms=before_ms))
        self._give_back()
        return gone

    def _thin(self, before_ms: int) -> int:
        """Drop and thin past forecasts, some sites at a time. After the first time, only those that have aged since."""
        issued = sorted(self.issued().items())
        noted = self.noted(THINNED_NOTE)
        done_ms = 0 if noted is None else int(noted)
        gone = 0
        for first in range(0, len(issued), SITES_A_STEP):
            part = issued[first : first + SITES_A_STEP]
            gone += self._write(partial(_thin_some, part=part, done_ms=done_ms, before_ms=before_ms))
        if issued:
            self.note(THINNED_NOTE, str(min(newest_ms for _, newest_ms in issued)))
        return gone

    def _give_back(self) -> None:
        """Return freed pages to the disk, where the database does not do so by itself."""
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
        return StoreHealth(True, self._says or words()("store.sound"), size, free, int(waiting), wal)

    def close(self) -> None:
        """Finish writing and let go."""
        with self._lock:
            self._engine.dispose()


def _thin_some(connection: Connection, part: list[tuple[str, int]], done_ms: int, before_ms: int) -> int:
    until_ms = months.by_row_ms(connection, months.FORECASTS, before_ms)
    return sum(_thinned(connection, site, newest_ms, done_ms, until_ms) for site, newest_ms in part)


def _thinned(connection: Connection, site: str, newest_ms: int, done_ms: int, before_ms: int) -> int:
    """Drop a site's forecasts before a time, and thin those that have aged since `done_ms`. Returns how many went."""
    f = t.forecasts.c
    gone = connection.execute(delete(t.forecasts).where(f.site == site, f.issued_ms < before_ms)).rowcount
    for age_ms, every_ms in THINNED_MS:
        since_ms = max(done_ms - age_ms, 0) // every_ms * every_ms
        aged = and_(f.site == site, f.issued_ms >= since_ms, f.issued_ms < newest_ms - age_ms)
        kept = select(func.min(f.issued_ms)).where(aged).group_by(f.issued_ms // every_ms)
        gone += connection.execute(delete(t.forecasts).where(aged, f.issued_ms.not_in(kept))).rowcount
    return gone
