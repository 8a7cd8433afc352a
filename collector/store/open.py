"""Opens stores by their URL."""

from __future__ import annotations

import secrets
import sqlite3
from pathlib import Path

from sqlalchemy import Connection, Engine, create_engine, event
from sqlalchemy.pool import QueuePool

from collector.store.ledger import SqlLedger
from collector.store.sqlite import SqliteStore
from collector.store.sqlite_file import connect, move_aside_if_corrupt, store_error
from forecaster.domain.errors import ConfigError, StoreUnavailable
from forecaster.domain.ports import Ledger, ReadingStore

SQLITE = "sqlite:///"


def open_store(url: str, *, owner: bool = True, wal_limit_mb: float = 64.0) -> ReadingStore:
    """A reading store by its URL.

    owner : bool — the process that collects; it looks an embedded file over and moves a corrupt one aside
    Errors: ConfigError for a URL of no known kind; StoreUnavailable.
    """
    if url.startswith(SQLITE):
        return SqliteStore(_path(url), owner=owner, wal_limit_bytes=round(wal_limit_mb * 2**20))
    raise ConfigError("outlast.toml", "store.url", f"{url!r} is not a store", "write sqlite:///outlast.db")


def open_ledger(url: str, *, owner: bool = True) -> Ledger:
    """A ledger by its URL: sqlite:///path or postgresql://…

    owner : bool — the process that collects; it looks an embedded file over and moves a corrupt one aside
    Errors: ConfigError for a URL of no known kind; StoreUnavailable.
    """
    if url.startswith(SQLITE):
        return _sqlite_ledger(_path(url), owner)
    scheme, separator, rest = url.partition("://")
    if separator and scheme in {"postgresql", "postgresql+psycopg"}:
        engine = create_engine(f"postgresql+psycopg://{rest}", pool_pre_ping=True)
        return SqlLedger(engine, None)
    raise ConfigError("outlast.toml", "store.ledger", f"{url!r} is not a ledger", "write sqlite:///ledger.db")


def _path(url: str) -> Path:
    text = url.removeprefix(SQLITE)
    if not text:
        raise ConfigError("outlast.toml", "store", f"{url!r} names no file", "write sqlite:///outlast.db")
    return Path(text)


def _sqlite_ledger(path: Path, owner: bool) -> SqlLedger:
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        says = move_aside_if_corrupt(path, secrets.token_hex(4)) if owner else None
    except OSError as error:
        raise StoreUnavailable(f"{path}: {error.strerror}") from error
    return SqlLedger(_sqlite_engine(path), path, says)


def _sqlite_engine(path: Path) -> Engine:
    def connected() -> sqlite3.Connection:
        try:
            return connect(path)
        except sqlite3.Error as error:
            raise store_error(error, path) from error

    engine = create_engine("sqlite://", creator=connected, poolclass=QueuePool)

    @event.listens_for(engine, "begin")
    def begin(connection: Connection) -> None:
        """A transaction that may write takes the lock at once: one that turns to writing later can fail at once."""
        reads = connection.get_execution_options().get("reads", False)
        connection.exec_driver_sql("BEGIN" if reads else "BEGIN IMMEDIATE")

    return engine
