"""The ledger's access to its database: one transaction at a time, upserts in both dialects, errors as StoreError."""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Callable, Collection, Mapping, Sequence
from copy import copy
from pathlib import Path
from typing import Any, Protocol, Self, TypeVar

from sqlalchemy import Connection, Engine, Select, Table, select, text
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.exc import DataError, DBAPIError, IntegrityError, SQLAlchemyError

from collector.store import ledger_schema as t
from collector.store.ledger_migrations import MIGRATIONS, migrate, version_of
from collector.store.sqlite_file import newer, store_error
from forecaster.domain.errors import LedgerBehind, StoreError, StoreRefused, StoreUnavailable
from forecaster.texts.catalogue import words

MIGRATION_LOCK = 7_318_046
"""The key of the advisory lock that lets only one process migrate at a time; an arbitrary number."""

COPY_MARK = "ledger-copy"
"""The note in a ledger that tells how far a copy into it is (`ledger_copy`); the finished copy has none."""

T = TypeVar("T")
Row = Mapping[str, Any]


class Fence(Protocol):
    """Stands before every transaction that writes, and within it."""

    def check(self, connection: Connection, sites: Collection[str] | None, /) -> None:
        """Raise StaleLease where the writer may not write any more.

        sites : of which sites it writes; None: of none, or of all
        """
        ...


class LedgerBase:
    """An SQLAlchemy engine with the ledger's tables in it, brought up to this release's schema.

    path : Path | None — the file, on SQLite
    says : str | None — what had to be done to open it, for health()
    looks : bool — it is only looked at, and left as it is; LedgerBehind where it would have to be brought up
    half : bool — opened to go on with a copy that was cut; for anybody else such a ledger is StoreUnavailable
    """

    def __init__(
        self, engine: Engine, path: Path | None, says: str | None = None, *, looks: bool = False, half: bool = False
    ) -> None:
        self._engine, self._path, self._says = engine, path, says
        self._reads = engine.execution_options(reads=True)
        self._lock = threading.Lock()
        self._fence: Fence | None = None
        self._insert = postgresql.insert if engine.dialect.name == "postgresql" else sqlite.insert
        try:
            had = self._read(version_of) if looks else self._write(self._migrate)
            _require_fit(had, looks=looks)
            if not half and self._rows(select(t.notes.c.value).where(t.notes.c.name == COPY_MARK)):
                raise StoreUnavailable(words()("store.the_ledger_is_half_a_copy"))
        except StoreError:
            engine.dispose()
            raise

    @property
    def engine(self) -> Engine:
        """The database, for copying whole ledgers."""
        return self._engine

    @property
    def address(self) -> str:
        """Which database it is, without a password."""
        return self._engine.url.render_as_string() if self._path is None else str(self._path.absolute())

    def put_rows(self, connection: Connection, table: Table, rows: Sequence[Row]) -> None:
        """Insert or replace rows within the caller's transaction on this database, for copying whole ledgers."""
        self._put(connection, table, rows)

    def fenced(self, fence: Fence) -> Self:
        """The same ledger, on the same connections, for a writer who may write only as long as a fence lets it."""
        made = copy(self)
        made._fence = fence
        return made

    def _write(self, work: Callable[[Connection], T], sites: Collection[str] | None = None) -> T:
        """Run an operation in one transaction, durable on return; one at a time within a process.

        sites : of which sites it writes, for the fence; None: of none, or of all
        """
        with self._lock:
            try:
                with self._engine.begin() as connection:
                    if self._fence is not None:
                        self._fence.check(connection, sites)
                    return work(connection)
            except SQLAlchemyError as error:
                raise self._error(error) from error
            except OverflowError as error:
                raise StoreRefused(words()("store.the_ledger_does_not_take_this_2", error=str(error))) from error

    def _read(self, work: Callable[[Connection], T]) -> T:
        """Run an operation that changes nothing in one transaction, beside those that write."""
        try:
            with self._reads.begin() as connection:
                return work(connection)
        except SQLAlchemyError as error:
            raise self._error(error) from error

    def _rows(self, query: Select[Any]) -> list[dict[str, Any]]:
        """All rows of a query as mappings; the connection is not kept open."""
        try:
            with self._reads.connect() as connection:
                return [dict(row) for row in connection.execute(query).mappings()]
        except SQLAlchemyError as error:
            raise self._error(error) from error

    def _pairs(self, query: Select[Any]) -> list[tuple[str, int]]:
        """All rows of a query of two columns; for many rows much faster than as mappings."""
        try:
            with self._reads.connect() as connection:
                return [(str(row[0]), int(row[1])) for row in connection.execute(query)]
        except SQLAlchemyError as error:
            raise self._error(error) from error

    def _texts(self, query: Select[Any]) -> dict[str, str]:
        """All rows of a query of two columns of text, the first a key; for many rows much faster than as mappings."""
        try:
            with self._reads.connect() as connection:
                return {row[0]: row[1] for row in connection.execute(query)}
        except SQLAlchemyError as error:
            raise self._error(error) from error

    def _put(self, connection: Connection, table: Table, rows: Sequence[Row], *, newer: str | None = None) -> None:
        """Insert or replace by primary key; with `newer`, only where the value of that column does not decrease."""
        if not rows:
            return
        statement = self._insert(table)
        keys = [column.name for column in table.primary_key]
        fresh = {c.name: statement.excluded[c.name] for c in table.columns if c.name not in keys}
        where = None if newer is None else statement.excluded[newer] >= table.c[newer]
        statement = statement.on_conflict_do_update(index_elements=keys, set_=fresh, where=where)
        connection.execute(statement, list(rows))

    def _add(
        self, connection: Connection, table: Table, rows: Sequence[Row], *, key: Sequence[str] | None = None
    ) -> None:
        """Insert; an existing row with the same key stays unchanged. key : the columns of it; None: the primary key."""
        if rows:
            keys = [column.name for column in table.primary_key] if key is None else list(key)
            connection.execute(self._insert(table).on_conflict_do_nothing(index_elements=keys), list(rows))

    def _error(self, error: SQLAlchemyError) -> StoreError:
        cause = error.orig if isinstance(error, DBAPIError) else None
        if isinstance(cause, sqlite3.Error) and self._path is not None:
            return store_error(cause, self._path)
        lines = str(cause or error).strip().splitlines()
        first = lines[0] if lines else type(error).__name__
        if isinstance(error, DataError | IntegrityError):
            return StoreRefused(words()("store.the_ledger_does_not_take_this", first=first))
        return StoreUnavailable(words()("store.the_ledger_cannot_be_reached", first=first))

    def _migrate(self, connection: Connection) -> int:
        if connection.dialect.name == "postgresql":
            connection.execute(text("SELECT pg_advisory_xact_lock(:lock)"), {"lock": MIGRATION_LOCK})
        return migrate(connection)


def _require_fit(had: int, *, looks: bool) -> None:
    """StoreUnavailable where a ledger of that version is newer than this release; LedgerBehind, to a look, if older."""
    ours, say = len(MIGRATIONS), words()
    if had > ours:
        raise StoreUnavailable(newer(say("store.the_ledger"), had, ours))
    if looks and not had:
        raise LedgerBehind(had, say("store.there_is_no_ledger_yet"))
    if looks and had < ours:
        raise LedgerBehind(had, say("store.the_ledger_is_of_an_older_release", found=had, known=ours))


def cursor_ms(written: str, cursor: str) -> int:
    """The time in a page's cursor [ms]; StoreRefused where no page gives such a cursor."""
    if not (written.isascii() and written.isdecimal() and len(written) < 16):
        raise StoreRefused(words()("store.cursor_is_of_none_of_these", cursor=cursor))
    return int(written)
