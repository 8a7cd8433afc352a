"""Partitions by month on PostgreSQL: what has grown old goes a month at a time instead of row by row.

Each month (UTC) has a partition `<table>_2026_11`, made before it begins; `<table>_rest` has the rows that no month
has. In a ledger that was there before its months, `<table>_before` has all earlier rows: it is the table as it stood.
Elsewhere than on PostgreSQL nothing is partitioned, and all functions here leave things as they are.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime

from sqlalchemy import Connection, text

AHEAD = 3
"""How many months are made in advance, the present one counted."""

LONGEST_BACK = 120
"""How many months back are made before a ledger is copied."""

LOCK_S = 1
"""How long a change of partitions waits for those that use the table, and holds up those that come after it [s]."""


@dataclass(frozen=True, slots=True)
class Monthly:
    """A table with partitions by month: its name, its column of time [ms], and which rows are kept for ever (SQL)."""

    table: str
    column: str
    kept: str = "false"


EVENTS = Monthly("events", "start_ms", "kind = 'outage'")
FORECASTS = Monthly("forecasts", "issued_ms")
MONTHLY = (EVENTS, FORECASTS)


@dataclass(frozen=True, slots=True)
class Partition:
    """A partition with rows in [from_ms, to_ms); from_ms None: without a beginning."""

    name: str
    from_ms: int | None
    to_ms: int


BOUNDS = re.compile(r"FOR VALUES FROM \((MINVALUE|'-?\d+')\) TO \('(-?\d+)'\)")


def parted(connection: Connection, table: str) -> bool:
    """Whether a table has partitions."""
    kind = text("SELECT relkind = 'p' FROM pg_class WHERE oid = to_regclass(:table)")
    return connection.dialect.name == "postgresql" and bool(connection.execute(kind, {"table": table}).scalar())


def partitions(connection: Connection, table: str) -> list[Partition]:
    """The partitions of a table by time, without the one of the rest; none where it is not partitioned."""
    if connection.dialect.name != "postgresql":
        return []
    bounds = text(
        "SELECT c.relname, pg_get_expr(c.relpartbound, c.oid) FROM pg_inherits i JOIN pg_class c ON c.oid = i.inhrelid"
        " WHERE i.inhparent = to_regclass(:table)"
    )
    found = []
    for name, written in connection.execute(bounds, {"table": table}):
        if bound := BOUNDS.fullmatch(written):
            first, end = bound.groups()
            found.append(Partition(name, None if first == "MINVALUE" else int(first.strip("'")), int(end)))
    return sorted(found, key=lambda each: each.to_ms)


def divide(connection: Connection) -> None:
    """Give tables their months, in the caller's transaction. Rows stay where they are; two scans look at each."""
    if connection.dialect.name != "postgresql":
        return
    tables = ", ".join(monthly.table for monthly in MONTHLY)
    connection.exec_driver_sql(f"LOCK TABLE {tables} IN ACCESS EXCLUSIVE MODE")  # waits as long as it takes
    for monthly in MONTHLY:
        if parted(connection, monthly.table):  # a new ledger
            connection.exec_driver_sql(f"CREATE TABLE {monthly.table}_rest PARTITION OF {monthly.table} DEFAULT")
        else:
            _divide(connection, monthly)
        make(connection, monthly)


def _divide(connection: Connection, monthly: Monthly) -> None:
    table, column = monthly.table, monthly.column
    before, rest = f"{table}_before", f"{table}_rest"
    run = connection.exec_driver_sql
    run(f"ALTER TABLE {table} RENAME TO {before}")
    run(f"CREATE TABLE {table} (LIKE {before} INCLUDING ALL) PARTITION BY RANGE ({column})")
    run(f"CREATE TABLE {rest} PARTITION OF {table} DEFAULT")
    end_ms = month_ms(_now(connection), 1)
    _move(connection, before, rest, f"{column} >= {end_ms}")
    run(f"ALTER TABLE {table} ATTACH PARTITION {before} FOR VALUES FROM (MINVALUE) TO ({end_ms})")


def make(connection: Connection, monthly: Monthly, since_ms: int | None = None) -> None:
    """Make the months that are missing: the next ones, and those of rows in the rest from a time on (None: of none)."""
    if not parted(connection, monthly.table):
        return
    now = _now(connection)
    wanted = {month_ms(now, ahead) for ahead in range(AHEAD)}
    if since_ms is not None:
        wanted |= _months_of_rest(connection, monthly, since_ms, max(wanted))
    _make_missing(connection, monthly, wanted)


def make_since(connection: Connection, monthly: Monthly, since_ms: int | None) -> None:
    """Make the months from a time on [ms], ten years of them at most, before a whole ledger is copied into them."""
    if since_ms is None or not parted(connection, monthly.table):
        return
    since, now = datetime.fromtimestamp(since_ms / 1000, UTC), _now(connection)
    back = min((now.year - since.year) * 12 + now.month - since.month, LONGEST_BACK)
    _make_missing(connection, monthly, {month_ms(now, -ago) for ago in range(back + 1)})


def _make_missing(connection: Connection, monthly: Monthly, begins_ms: set[int]) -> None:
    """Make those months of the given ones [ms, their beginnings] that no partition covers yet."""
    standing = partitions(connection, monthly.table)
    for begin_ms in sorted(begins_ms):
        if not any((p.from_ms is None or p.from_ms <= begin_ms) and begin_ms < p.to_ms for p in standing):
            _make(connection, monthly, begin_ms)


def _months_of_rest(connection: Connection, monthly: Monthly, since_ms: int, until_ms: int) -> set[int]:
    """The months, up to one, of the rows in the rest from a time on [ms]."""
    utc = f"to_timestamp({monthly.column} / 1000) AT TIME ZONE 'UTC'"
    found = connection.execute(
        text(
            f"SELECT DISTINCT date_trunc('month', {utc}) FROM {monthly.table}_rest"
            f" WHERE {monthly.column} >= :since AND {monthly.column} < :until"
        ),
        {"since": since_ms, "until": until_ms},
    )
    return {month_ms(month.replace(tzinfo=UTC)) for month in found.scalars()}


def _make(connection: Connection, monthly: Monthly, begin_ms: int) -> None:
    """Make a month, with what the rest has of it."""
    begin = datetime.fromtimestamp(begin_ms / 1000, UTC)
    table, name, end_ms = monthly.table, f"{monthly.table}_{begin:%Y_%m}", month_ms(begin, 1)
    run = connection.exec_driver_sql
    run(f"SET LOCAL lock_timeout = '{LOCK_S}s'")
    run(f"CREATE TABLE {name} (LIKE {table} INCLUDING ALL)")
    run(f"LOCK TABLE {table}_rest IN ACCESS EXCLUSIVE MODE")
    _move(connection, f"{table}_rest", name, f"{monthly.column} >= {begin_ms} AND {monthly.column} < {end_ms}")
    run(f"ALTER TABLE {table} ATTACH PARTITION {name} FOR VALUES FROM ({begin_ms}) TO ({end_ms})")


def drop(connection: Connection, monthly: Monthly, before_ms: int) -> None:
    """Drop the partitions that end at a time or before it [ms]; rows that are kept for ever go to the rest."""
    run = connection.exec_driver_sql
    for old in partitions(connection, monthly.table):
        if old.to_ms <= before_ms:
            run(f"SET LOCAL lock_timeout = '{LOCK_S}s'")
            run(f"ALTER TABLE {monthly.table} DETACH PARTITION {old.name}")
            run(f"INSERT INTO {monthly.table} SELECT * FROM {old.name} WHERE {monthly.kept}")
            run(f"DROP TABLE {old.name}")


def by_row_ms(connection: Connection, monthly: Monthly, before_ms: int) -> int:
    """Up to when old rows are to be deleted one by one [ms]: those of a month that is not over stay until it is."""
    for each in partitions(connection, monthly.table):
        if each.from_ms is not None and each.from_ms <= before_ms < each.to_ms:
            return each.from_ms
    return before_ms


def month_ms(at: datetime, later: int = 0) -> int:
    """When the month of a time began, or one that many months later [UTC ms]."""
    months = at.year * 12 + at.month - 1 + later
    return round(datetime(months // 12, months % 12 + 1, 1, tzinfo=UTC).timestamp() * 1000)


def _move(connection: Connection, source: str, target: str, where: str) -> None:
    connection.exec_driver_sql(
        f"WITH moved AS (DELETE FROM {source} WHERE {where} RETURNING *) INSERT INTO {target} SELECT * FROM moved"
    )


def _now(connection: Connection) -> datetime:
    now: datetime = connection.execute(text("SELECT clock_timestamp() AT TIME ZONE 'UTC'")).scalar_one()
    return now.replace(tzinfo=UTC)
