"""Opens stores by their URL."""

from __future__ import annotations

import secrets
import sqlite3
from importlib import import_module
from pathlib import Path
from typing import Any

import msgspec
from sqlalchemy import Connection, Engine, create_engine, event, make_url
from sqlalchemy.pool import QueuePool

from collector.alone import alone
from collector.config.addresses import without_password
from collector.config.settings import Installation
from collector.store.ledger import SqlLedger
from collector.store.salvage import salvage
from collector.store.sqlite import SqliteStore
from collector.store.sqlite_file import connect, move_aside_if_corrupt, store_error
from forecaster.domain.errors import ConfigError, StoreUnavailable
from forecaster.domain.ports import Clock, Ledger, ReadingStore
from forecaster.domain.readings import Reading, Refusal
from forecaster.texts.catalogue import Said, words

SQLITE = "sqlite:///"

PATIENCE = {"connect_timeout": 10, "tcp_user_timeout": 15_000, "keepalives_idle": 10, "keepalives_interval": 5}
"""How long a server that has gone silent is waited for [s; the second in ms], unless the address says otherwise."""


def open_readings(installation: Installation, ledger: Ledger, clock: Clock, *, role: str, owner: bool) -> ReadingStore:
    """The reading store of an installation.

    ledger : Ledger — keeps readings that a server refuses, in quarantine
    role : str — names the process and its share; two that run at the same time must differ
    owner : bool — whether this process collects
    Errors: ConfigError; StoreUnavailable.
    """
    settings = installation.store
    if settings.on_server:
        return _server_store(installation, ledger, clock, role)
    return open_store(settings.url, owner=owner, wal_limit_mb=settings.wal_limit_mb)


def _server_store(installation: Installation, ledger: Ledger, clock: Clock, role: str) -> ReadingStore:
    try:
        influx = import_module("collector.store.influx")
        server = import_module("collector.store.influx_server")
    except ModuleNotFoundError as error:
        problem = Said("config.the_client_of_the_time_series", error=error.name)
        raise ConfigError("outlast.toml", "store.url", problem, Said("config.pip_install_outlast_influx")) from error
    settings = installation.store
    address = server.parse_address(settings.url, settings.token())

    def refused(reading: Reading, why: str) -> None:
        ledger.quarantine([refusal_of(reading, why, clock.now_ms())])

    store: ReadingStore = influx.InfluxStore(
        server.InfluxServer(address),
        address.bucket,
        settings.outbox / f"{role}.db",
        clock,
        refused,
        collector=role,
        max_bytes=round(settings.outbox_limit_mb * 2**20),
        keep_s=round(installation.retention.readings_days * 86_400),
        hours_keep_s=round(installation.retention.hours_days * 86_400),
    )
    return store


def refusal_of(reading: Reading, why: str, now_ms: int) -> Refusal:
    """A reading that a store refuses, as a refusal for quarantine."""
    told = {"quantity": reading.quantity.value, "of": reading.subject, "time": reading.time_ms, "value": reading.value}
    return Refusal(
        reading.site, "", msgspec.json.encode(told), now_ms, words()("store.the_store_does_not_take_it", why=why)
    )


def open_store(url: str, *, owner: bool = True, wal_limit_mb: float = 64.0) -> ReadingStore:
    """A reading store by its URL.

    owner : bool — the process that collects; it looks an embedded file over and moves a corrupt one aside
    Errors: ConfigError for a URL of no known kind; StoreUnavailable.
    """
    if url.startswith(SQLITE):
        return SqliteStore(_path(url), owner=owner, wal_limit_bytes=round(wal_limit_mb * 2**20))
    problem = Said("config.is_not_a_store_2", url=without_password(url))
    raise ConfigError("outlast.toml", "store.url", problem, Said("config.write_sqlite_outlast_db"))


def open_ledger(url: str, *, owner: bool = True, half: bool = False) -> Ledger:
    """A ledger by its URL: sqlite:///path or postgresql://…

    owner : bool — the process that collects; it looks an embedded file over and moves a corrupt one aside
    half : bool — whether it may be a copy that was cut, to go on with that
    Errors: ConfigError for a URL of no known kind; StoreUnavailable.
    """
    if url.startswith(SQLITE):
        return _sqlite_ledger(_path(url), owner, half)
    return SqlLedger(_server_engine(url), None, half=half)


def look_at_ledger(url: str) -> SqlLedger:
    """A ledger on a server as it stands, for what only looks: it is neither made nor brought up to date.

    Processes of an older release may be at work on it, and would not start on one of this release.
    Errors: ConfigError for a URL of no known kind; StoreUnavailable, and LedgerBehind among them.
    """
    return SqlLedger(_server_engine(url), None, looks=True)


def _server_engine(url: str) -> Engine:
    scheme, separator, rest = url.partition("://")
    if separator and scheme in {"postgresql", "postgresql+psycopg"}:
        address = make_url(f"postgresql+psycopg://{rest}")
        patient = {key: value for key, value in PATIENCE.items() if key not in address.query}
        engine = create_engine(address, pool_pre_ping=True, connect_args=patient)
        event.listen(engine, "connect", _require_utf_8, insert=True)
        return engine
    problem = Said("config.is_not_a_ledger", url=without_password(url))
    raise ConfigError("outlast.toml", "store.ledger", problem, Said("config.write_sqlite_ledger_db"))


def _require_utf_8(connection: Any, _: object) -> None:
    """Refuse a database whose text comes as bytes or does not hold every letter; the server says so as it answers."""
    info = connection.info
    encoding = info.parameter_status("server_encoding")
    if encoding != "UTF8":
        problem = Said("config.is_not_in_utf_8", database=info.dbname, encoding=encoding)
        raise ConfigError("outlast.toml", "store.ledger", problem, Said("config.make_one_in_utf_8"))


def _path(url: str) -> Path:
    text = url.removeprefix(SQLITE)
    if not text:
        raise ConfigError(
            "outlast.toml", "store", Said("config.names_no_file", url=url), Said("config.write_sqlite_outlast_db")
        )
    return Path(text)


def _sqlite_ledger(path: Path, owner: bool, half: bool) -> SqlLedger:
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with alone(path.parent):  # a file that another process has just begun is no empty one
            moved = move_aside_if_corrupt(path, secrets.token_hex(4)) if owner else None
            ledger = SqlLedger(_sqlite_engine(path), path, None if moved is None else moved.says, half=half)
            if moved is not None:
                salvage(moved.to, ledger, moved.says)
    except OSError as error:
        raise StoreUnavailable(f"{path}: {error.strerror}") from error
    return ledger


def _sqlite_engine(path: Path) -> Engine:
    def connected() -> sqlite3.Connection:
        try:
            return connect(path)
        except sqlite3.Error as error:
            raise store_error(error, path) from error

    engine = create_engine("sqlite://", creator=connected, poolclass=QueuePool)

    @event.listens_for(engine, "begin")
    def begin(connection: Connection) -> None:
        """A transaction that may write takes the lock at its beginning: taking it later could fail immediately."""
        reads = connection.get_execution_options().get("reads", False)
        connection.exec_driver_sql("BEGIN" if reads else "BEGIN IMMEDIATE")

    return engine
