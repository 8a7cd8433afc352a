"""How a ledger that an older release made is brought up to date."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Any

import msgspec
from sqlalchemy import Connection, Table, inspect, select, text

from collector.store import ledger_schema as t
from collector.store.ledger_months import divide


def _first(connection: Connection) -> None:
    t.metadata.create_all(connection, checkfirst=True)


def _second(connection: Connection) -> None:
    for index in t.newest_forecasts.indexes:
        index.create(connection, checkfirst=True)
    if "owner" not in _columns(connection, t.held):
        connection.execute(text("ALTER TABLE held ADD COLUMN owner VARCHAR(160) DEFAULT '' NOT NULL"))
    if "brief" not in _columns(connection, t.newest_forecasts):
        connection.execute(text("ALTER TABLE newest_forecasts ADD COLUMN brief TEXT"))


def _create(tables: tuple[Table, ...], connection: Connection) -> None:
    for table in tables:
        table.create(connection, checkfirst=True)


FOURTH: tuple[tuple[Table, str, str], ...] = (
    (t.deliveries, "who", "TEXT DEFAULT '' NOT NULL"),
    (t.deliveries, "alarm_id", "VARCHAR(160) DEFAULT '' NOT NULL"),
    (t.deliveries, "revision", "INTEGER DEFAULT 0 NOT NULL"),
    (t.deliveries, "rank", "INTEGER DEFAULT 0 NOT NULL"),
    (t.deliveries, "answered_ms", "BIGINT"),
    (t.subscriptions, "token_id", "VARCHAR(64)"),
)
"""Columns that version 4 added: table, name, type."""


def _fourth(connection: Connection) -> None:
    for table, name, kind in FOURTH:
        if name not in _columns(connection, table):
            connection.execute(text(f"ALTER TABLE {table.name} ADD COLUMN {name} {kind}"))
    for index in t.deliveries.indexes:
        index.create(connection, checkfirst=True)


def _fifth(connection: Connection) -> None:
    t.sessions.create(connection, checkfirst=True)
    c = t.tests.c
    for row in connection.execute(select(c.id, c.site, c.started_ms, c.body)).mappings().all():
        told = msgspec.json.decode(row["body"], type=dict[str, Any])
        if told.get("finished_ms") is None and "pulled_ms" not in told:
            told["pulled_ms"] = _on_pack_since(connection, row["site"], row["started_ms"])
            body = msgspec.json.encode(told).decode()
            connection.execute(t.tests.update().where(c.id == row["id"]).values(body=body))


def _eighth(connection: Connection) -> None:
    if "ends_ms" not in _columns(connection, t.tokens):
        connection.execute(text("ALTER TABLE tokens ADD COLUMN ends_ms BIGINT"))


ALREADY_PULLED_MS = 30 * 60_000
"""How long after the plug was pulled a test could be started [ms]."""


def _on_pack_since(connection: Connection, site: str, started_ms: int) -> int | None:
    """When the pack took over for a running test: before version 5 nobody had to say that the plug was pulled."""
    e = t.events.c
    since_ms = started_ms - ALREADY_PULLED_MS
    began = select(e.start_ms).where(e.kind == "outage", e.site == site, e.start_ms >= since_ms)
    found = connection.execute(began.order_by(e.start_ms).limit(1)).scalar_one_or_none()
    return None if found is None else int(found)


def _columns(connection: Connection, table: Table) -> set[str]:
    return {column["name"] for column in inspect(connection).get_columns(table.name)}


MIGRATIONS: tuple[Callable[[Connection], None], ...] = (
    _first, _second, partial(_create, (t.days, t.work, t.studies)), _fourth, _fifth, partial(_create, (t.edits,)),
    partial(_create, t.OF_THE_MOMENT), _eighth, partial(_create, (t.changes,)), partial(_create, (t.pump_days,)),
    divide,
)  # fmt: skip
"""The migrations in order; a ledger's version is the number of those applied. New tables need a migration, too."""


def version_of(connection: Connection) -> int:
    """The version of a ledger; 0 where there is none."""
    if not inspect(connection).has_table(t.schema.name):
        return 0
    return connection.execute(select(t.schema.c.version)).scalar_one_or_none() or 0


def migrate(connection: Connection) -> int:
    """Migrate a ledger within the caller's transaction. Returns its former version; one above ours is not touched."""
    had = version_of(connection)
    for step in MIGRATIONS[had:]:
        step(connection)
    if had < len(MIGRATIONS):
        connection.execute(t.schema.delete())
        connection.execute(t.schema.insert().values(version=len(MIGRATIONS)))
    return had
