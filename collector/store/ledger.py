"""The ledger on SQLAlchemy Core: SQLite by default, PostgreSQL unchanged apart from how it says "insert or replace"."""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any, TypeVar

from sqlalchemy import Connection, Engine, Select, Table, and_, delete, func, select, text, tuple_, update
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.exc import DataError, DBAPIError, IntegrityError, SQLAlchemyError

from collector.store import ledger_schema as t
from collector.store.bodies import body, event_row, read
from collector.store.sqlite_file import free_bytes, size_bytes, store_error, wal_bytes
from forecaster.domain.alarms import Alarm, AlarmState, AlarmTransition
from forecaster.domain.discharge import DischargeTest
from forecaster.domain.errors import NotFound, StoreError, StoreRefused, StoreUnavailable
from forecaster.domain.ports import (
    Checkpoint,
    Delivery,
    HeldMessage,
    Page,
    PushSubscription,
    RunTotals,
    StoredForecast,
    StoreHealth,
    Token,
)
from forecaster.domain.readings import Refusal
from forecaster.domain.runs import Event, Outage, Run

QUARANTINE_ROWS = 10_000
"""Refusals kept; the oldest go first."""

DAY_MS = 86_400_000
THINNED_MS = 600_000
"""Past forecasts older than a day are thinned to one in this long when pruning."""

MIGRATION_LOCK = 7_318_046
"""Any number: the advisory lock that lets one process migrate at a time."""

T = TypeVar("T")
Row = Mapping[str, Any]


class SqlLedger:
    """The Ledger port on an SQLAlchemy engine, as made by `collector.store.open.open_ledger`.

    path : Path | None — the file, on SQLite
    says : str | None — what had to be done to open it, told by health()
    """

    def __init__(self, engine: Engine, path: Path | None, says: str | None = None) -> None:
        self._engine, self._path, self._says = engine, path, says
        self._reads = engine.execution_options(reads=True)
        self._lock = threading.Lock()
        self._insert = postgresql.insert if engine.dialect.name == "postgresql" else sqlite.insert
        had = self._write(self._migrate)
        if had > len(t.MIGRATIONS):
            raise StoreUnavailable(f"the ledger was written by a newer release (version {had}); update this one")

    # -- the three ways to the database

    @property
    def engine(self) -> Engine:
        """The database, for copying whole ledgers."""
        return self._engine

    def _write(self, work: Callable[[Connection], T]) -> T:
        """Run in one transaction, durable on return; one at a time within a process."""
        with self._lock:
            try:
                with self._engine.begin() as connection:
                    return work(connection)
            except SQLAlchemyError as error:
                raise self._error(error) from error
            except OverflowError as error:
                raise StoreRefused(f"the ledger does not take this: {error}") from error

    def _rows(self, query: Select[Any]) -> list[dict[str, Any]]:
        """All rows of a query, as mappings; nothing stays open."""
        try:
            with self._reads.connect() as connection:
                return [dict(row) for row in connection.execute(query).mappings()]
        except SQLAlchemyError as error:
            raise self._error(error) from error

    def _put(self, connection: Connection, table: Table, rows: Sequence[Row], *, newer: str | None = None) -> None:
        """Insert or replace by primary key; with `newer`, only where that column does not go back."""
        if not rows:
            return
        statement = self._insert(table)
        keys = [column.name for column in table.primary_key]
        fresh = {c.name: statement.excluded[c.name] for c in table.columns if c.name not in keys}
        where = None if newer is None else statement.excluded[newer] >= table.c[newer]
        statement = statement.on_conflict_do_update(index_elements=keys, set_=fresh, where=where)
        connection.execute(statement, list(rows))

    def _add(self, connection: Connection, table: Table, rows: Sequence[Row]) -> None:
        """Insert; a row whose key is there already is left as it is."""
        if rows:
            keys = [column.name for column in table.primary_key]
            connection.execute(self._insert(table).on_conflict_do_nothing(index_elements=keys), list(rows))

    def _error(self, error: SQLAlchemyError) -> StoreError:
        cause = error.orig if isinstance(error, DBAPIError) else None
        if isinstance(cause, sqlite3.Error) and self._path is not None:
            return store_error(cause, self._path)
        words = str(cause or error).strip().splitlines()
        first = words[0] if words else type(error).__name__
        if isinstance(error, DataError | IntegrityError):
            return StoreRefused(f"the ledger does not take this: {first}")
        return StoreUnavailable(f"the ledger cannot be reached: {first}")

    def _migrate(self, connection: Connection) -> int:
        if connection.dialect.name == "postgresql":
            connection.execute(text("SELECT pg_advisory_xact_lock(:lock)"), {"lock": MIGRATION_LOCK})
        return t.migrate(connection)

    # -- what the engine found

    def record(self, events: Iterable[Event]) -> None:
        """Runs, gaps, transfers and outages; idempotent by (site, start)."""
        rows = {(r["site"], r["kind"], r["start_ms"], r["subject"]): r for r in map(event_row, events)}
        self._write(lambda c: self._put(c, t.events, list(rows.values())))

    def runs(self, site: str, start_ms: int, end_ms: int, limit: int, cursor: str | None = None) -> Page:
        """Runs that start in [start_ms, end_ms), newest first."""
        before = end_ms
        if cursor is not None:
            if not cursor.removeprefix("-").isdecimal():
                raise StoreRefused(f"cursor {cursor!r} is not one of these pages'; begin without one")
            before = min(before, int(cursor))
        e = t.events.c
        rows = self._rows(
            select(e.body, e.start_ms)
            .where(e.site == site, e.kind == "run", e.start_ms >= start_ms, e.start_ms < before)
            .order_by(e.start_ms.desc())
            .limit(limit + 1)
        )
        more = len(rows) > limit
        rows = rows[:limit]
        return Page(tuple(read(row["body"], Run) for row in rows), str(rows[-1]["start_ms"]) if more and rows else None)

    def run_totals(self, site: str, start_ms: int, end_ms: int, points: int) -> list[RunTotals]:
        """Runs that start in [start_ms, end_ms), in at most `points` equal buckets; empty ones left out."""
        if points < 1:
            raise StoreRefused(f"{points} points cannot be drawn; ask for one or more")
        width = max(1, -(-(end_ms - start_ms) // points))
        e = t.events.c
        place = ((e.start_ms - start_ms) // width).label("place")
        query = (
            select(
                place,
                func.count().label("count"),
                func.sum(e.length_s).label("total_s"),
                func.min(e.length_s).label("shortest_s"),
                func.max(e.length_s).label("longest_s"),
                func.sum(e.energy_wh).label("energy_wh"),
            )
            .where(e.site == site, e.kind == "run", e.start_ms >= start_ms, e.start_ms < end_ms)
            .group_by(place)
            .order_by(place)
        )
        return [RunTotals(start_ms + int(row.pop("place")) * width, **row) for row in self._rows(query)]

    def outages(self, site: str, limit: int = 200) -> list[Outage]:
        """Outages, newest first."""
        e = t.events.c
        query = select(e.body).where(e.site == site, e.kind == "outage").order_by(e.start_ms.desc()).limit(limit)
        return [read(row["body"], Outage) for row in self._rows(query)]

    # -- forecasts

    def publish(self, forecasts: Sequence[StoredForecast]) -> None:
        """The newest forecast of each site, kept also as a past one."""
        rows = [{"site": f.site, "issued_ms": f.issued_ms, "document": f.document} for f in forecasts]
        newest = {row["site"]: row for row in sorted(rows, key=lambda row: str(row["issued_ms"]).zfill(20))}

        def work(connection: Connection) -> None:
            self._put(connection, t.newest_forecasts, list(newest.values()), newer="issued_ms")
            self._put(connection, t.forecasts, rows)

        self._write(work)

    def newest(self, sites: Sequence[str] | None = None) -> dict[str, StoredForecast]:
        """The newest forecast of each site (None: all)."""
        query = select(t.newest_forecasts)
        if sites is not None:
            query = query.where(t.newest_forecasts.c.site.in_(list(sites)))
        return {row["site"]: StoredForecast(**row) for row in self._rows(query)}

    def forecasts(self, site: str, start_ms: int, end_ms: int, limit: int = 2000) -> list[StoredForecast]:
        """Past forecasts in [start_ms, end_ms), oldest first."""
        f = t.forecasts.c
        query = (
            select(t.forecasts)
            .where(f.site == site, f.issued_ms >= start_ms, f.issued_ms < end_ms)
            .order_by(f.issued_ms)
            .limit(limit)
        )
        return [StoredForecast(**row) for row in self._rows(query)]

    # -- checkpoints

    def save_checkpoints(self, kind: str, checkpoints: Sequence[Checkpoint]) -> None:
        """Keep the newest checkpoint of each site."""
        self._write(lambda c: self._checkpoints(c, kind, checkpoints))

    def _checkpoints(self, connection: Connection, kind: str, checkpoints: Sequence[Checkpoint]) -> None:
        rows = [
            {"kind": kind, "site": p.site, "cursor": p.cursor, "taken_ms": p.taken_ms, "state": p.state}
            for p in checkpoints
        ]
        self._put(connection, t.checkpoints, rows)

    def checkpoint(self, kind: str, site: str) -> Checkpoint | None:
        """The newest checkpoint of a site."""
        c = t.checkpoints.c
        rows = self._rows(select(c.site, c.cursor, c.taken_ms, c.state).where(c.kind == kind, c.site == site))
        return Checkpoint(**rows[0]) if rows else None

    # -- alarms and the outbox

    def commit_transitions(
        self, transitions: Sequence[AlarmTransition], deliveries: Sequence[Delivery], checkpoints: Sequence[Checkpoint]
    ) -> None:
        """Transitions, what they owe to receivers, and the desk's checkpoint: one transaction, idempotent by key."""
        changes = [
            {
                "id": x.alarm.id,
                "revision": x.alarm.revision,
                "site": x.alarm.site,
                "at_ms": x.at_ms,
                "kind": x.kind.value,
                "body": body(x),
            }
            for x in transitions
        ]
        alarms = [_alarm_row(x.alarm) for x in transitions]

        def work(connection: Connection) -> None:
            self._add(connection, t.transitions, changes)
            self._put(connection, t.alarms, alarms, newer="revision")
            self._add(connection, t.deliveries, [_delivery_row(d) for d in deliveries])
            self._checkpoints(connection, "alarms", checkpoints)

        self._write(work)

    def alarms(
        self, site: str | None = None, states: Sequence[AlarmState] | None = None, limit: int = 500
    ) -> list[Alarm]:
        """Alarms in their newest revision, newest change first."""
        a = t.alarms.c
        query = select(a.body).order_by(a.changed_ms.desc(), a.id).limit(limit)
        if site is not None:
            query = query.where(a.site == site)
        if states is not None:
            query = query.where(a.state.in_([state.value for state in states]))
        return [read(row["body"], Alarm) for row in self._rows(query)]

    def alarm(self, alarm_id: str) -> Alarm:
        """One alarm; NotFound."""
        rows = self._rows(select(t.alarms.c.body).where(t.alarms.c.id == alarm_id))
        if not rows:
            raise NotFound(f"alarm {alarm_id}")
        return read(rows[0]["body"], Alarm)

    def transitions(self, site: str, start_ms: int, end_ms: int, limit: int = 500) -> list[AlarmTransition]:
        """Transitions in [start_ms, end_ms), newest first."""
        x = t.transitions.c
        query = (
            select(x.body)
            .where(x.site == site, x.at_ms >= start_ms, x.at_ms < end_ms)
            .order_by(x.at_ms.desc(), x.id, x.revision.desc())
            .limit(limit)
        )
        return [read(row["body"], AlarmTransition) for row in self._rows(query)]

    def due(self, channel: str, now_ms: int, limit: int = 50) -> list[Delivery]:
        """Deliveries of a channel that are due, not done, not given up; oldest first."""
        d = t.deliveries.c
        query = (
            select(*(column for column in t.deliveries.columns if column.name != "open"))
            .where(d.open.is_(True), d.channel == channel, d.due_ms <= now_ms)
            .order_by(d.created_ms, d.due_ms, d.key)
            .limit(limit)
        )
        return [Delivery(**row) for row in self._rows(query)]

    def settle(self, delivery: Delivery) -> None:
        """Keep a delivery's changed attempts, due time, error, done or given-up mark."""
        row = _delivery_row(delivery)
        kept = {name: row[name] for name in ("attempts", "due_ms", "last_error", "done_ms", "gave_up", "open")}
        self._write(lambda c: c.execute(update(t.deliveries).where(t.deliveries.c.key == delivery.key).values(**kept)))

    def oldest_undelivered_ms(self) -> int | None:
        """created_ms of the oldest delivery not done and not given up."""
        query = select(func.min(t.deliveries.c.created_ms).label("oldest")).where(t.deliveries.c.open.is_(True))
        found = self._rows(query)[0]["oldest"]
        return None if found is None else int(found)

    def request(self, kind: str, target: str, body: str, at_ms: int) -> int:
        """Queue what a person asked of the forecaster; its id."""
        statement = t.requests.insert().values(kind=kind, target=target, body=body, at_ms=at_ms)
        return self._write(lambda c: int(c.execute(statement.returning(t.requests.c.id)).scalar_one()))

    def requests(self, after_id: int, limit: int = 200) -> list[tuple[int, str, str, str, int]]:
        """(id, kind, target, body, at_ms) queued after an id, oldest first."""
        r = t.requests.c
        rows = self._rows(select(t.requests).where(r.id > after_id).order_by(r.id).limit(limit))
        return [(row["id"], row["kind"], row["target"], row["body"], row["at_ms"]) for row in rows]

    # -- discharge tests and people

    def save_test(self, test: DischargeTest) -> None:
        """Keep a test, running or done."""
        row = {"id": test.id, "site": test.site, "started_ms": test.started_ms, "body": body(test)}
        self._write(lambda c: self._put(c, t.tests, [row]))

    def tests(self, site: str) -> list[DischargeTest]:
        """Tests of a site, newest first."""
        c = t.tests.c
        query = select(c.body).where(c.site == site).order_by(c.started_ms.desc(), c.id)
        return [read(row["body"], DischargeTest) for row in self._rows(query)]

    def save_token(self, token: Token) -> None:
        """Keep or change a token."""
        row = {name: getattr(token, name) for name in Token.__dataclass_fields__}
        self._write(lambda c: self._put(c, t.tokens, [row]))

    def tokens(self) -> list[Token]:
        """All tokens, newest first."""
        c = t.tokens.c
        return [Token(**row) for row in self._rows(select(t.tokens).order_by(c.created_ms.desc(), c.id))]

    def save_subscription(self, subscription: PushSubscription) -> None:
        """Keep a push subscription."""
        row = {name: getattr(subscription, name) for name in PushSubscription.__dataclass_fields__}
        self._write(lambda c: self._put(c, t.subscriptions, [row]))

    def subscriptions(self) -> list[PushSubscription]:
        """All push subscriptions."""
        c = t.subscriptions.c
        return [PushSubscription(**row) for row in self._rows(select(t.subscriptions).order_by(c.created_ms, c.id))]

    def drop_subscription(self, subscription_id: str) -> None:
        """Forget a push subscription that is gone."""
        self._write(lambda c: c.execute(delete(t.subscriptions).where(t.subscriptions.c.id == subscription_id)))

    # -- quarantine, held messages and notes

    def quarantine(self, refusals: Sequence[Refusal]) -> None:
        """Keep what was refused, durably; bounded, the oldest go first."""
        rows = [{name: getattr(r, name) for name in Refusal.__dataclass_fields__} for r in refusals[-QUARANTINE_ROWS:]]
        if not rows:
            return

        def work(connection: Connection) -> None:
            connection.execute(t.refusals.insert(), rows)
            newest = connection.execute(select(func.max(t.refusals.c.id))).scalar_one()
            connection.execute(delete(t.refusals).where(t.refusals.c.id <= newest - QUARANTINE_ROWS))

        self._write(work)

    def refusals(self, site: str | None = None, limit: int = 200) -> list[Refusal]:
        """What was refused, newest first."""
        r = t.refusals.c
        query = select(r.site, r.topic, r.payload, r.arrived_ms, r.reason).order_by(r.id.desc()).limit(limit)
        if site is not None:
            query = query.where(r.site == site)
        return [Refusal(**row) for row in self._rows(query)]

    def hold(self, messages: Sequence[HeldMessage]) -> None:
        """Keep messages, durably, until the clock can be believed."""
        names = ("boot", "monotonic_s", "topic", "payload", "retained")
        rows = [{name: getattr(m, name) for name in names} for m in messages]
        if rows:
            self._write(lambda c: c.execute(t.held.insert(), rows))

    def held(self, limit: int) -> list[HeldMessage]:
        """Messages that are held, oldest first."""
        return [HeldMessage(**row) for row in self._rows(select(t.held).order_by(t.held.c.id).limit(limit))]

    def release(self, up_to_id: int) -> None:
        """Forget held messages up to and with an id: their readings are stored."""
        self._write(lambda c: c.execute(delete(t.held).where(t.held.c.id <= up_to_id)))

    def note(self, name: str, value: str) -> None:
        """Keep a small named value (filters subscribed, clock state, heartbeat times)."""
        self._write(lambda c: self._put(c, t.notes, [{"name": name, "value": value}]))

    def noted(self, name: str) -> str | None:
        """A small named value."""
        rows = self._rows(select(t.notes.c.value).where(t.notes.c.name == name))
        return str(rows[0]["value"]) if rows else None

    # -- upkeep

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


def _alarm_row(alarm: Alarm) -> Row:
    return {
        "id": alarm.id,
        "site": alarm.site,
        "state": alarm.state.value,
        "revision": alarm.revision,
        "changed_ms": alarm.changed_ms,
        "cleared_ms": alarm.cleared_ms,
        "body": body(alarm),
    }


def _delivery_row(delivery: Delivery) -> dict[str, Any]:
    row = {name: getattr(delivery, name) for name in Delivery.__dataclass_fields__}
    return row | {"open": delivery.done_ms is None and not delivery.gave_up}
