"""Copies a ledger into an empty one, in steps; a copy that was cut goes on where it stood.

What only grows is copied first, table by table in the order of its keys, while the source is written on. Then one
snapshot of the source gives what was written there since the copy began, and all other tables, so that the copy is the
ledger of one moment. Past forecasts that the source thinned out meanwhile may stay in the copy.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import msgspec
from sqlalchemy import Connection, Select, Table, func, select, text, tuple_
from sqlalchemy.exc import DBAPIError, SQLAlchemyError

from collector.store import ledger_months as months
from collector.store import ledger_schema as t
from collector.store.ledger import SqlLedger
from collector.store.ledger_base import COPY_MARK
from forecaster.decoding.typed import from_json
from forecaster.domain.errors import StoreRefused, StoreUnavailable, UsageError
from forecaster.texts.catalogue import Said, words

STEP = 5000
"""Rows in one step."""

LONG = (t.events, t.forecasts, t.days, t.pump_days)
"""Tables that only grow, but for what grows too old."""

LEFT_OUT = (t.schema, *t.OF_THE_MOMENT)

Tell = Callable[[int, int], None]
"""Told after each step: rows of the long tables copied so far, and how many there were at the beginning."""


class CopyMark(msgspec.Struct):
    """How far a copy is.

    source : str — which ledger is copied; began : str | None — its oldest open transaction then, on PostgreSQL
    rows : int — of the long tables, at the beginning; copied : int — how many of them are copied
    table, after : the table in hand, and the key of its last row that is copied
    """

    source: str
    began: str | None
    rows: int
    copied: int = 0
    table: str = str(LONG[0].name)
    after: list[Any] | None = None


def untold(_copied: int, _rows: int) -> None:
    """Nobody is told how far a copy is."""


def begun_from(source: SqlLedger, target: SqlLedger) -> CopyMark | None:
    """How far a copy of this source into this target has come that is not finished; None: there is none."""
    noted = target.noted(COPY_MARK)
    mark = None if noted is None else from_json(noted, CopyMark)
    return mark if mark is not None and mark.source == source.address else None


def copy_ledger(source: SqlLedger, target: SqlLedger, tell: Tell = untold) -> dict[str, int]:
    """Copy every table of one ledger into an empty one, or go on with a copy that was cut; rows by table.

    A source on SQLite may not be written to meanwhile. Errors: UsageError where the target holds other rows;
    StoreUnavailable where a server goes away, with what was copied kept.
    """
    try:
        return _copied(source, target, tell)
    except SQLAlchemyError as error:
        cause = error.orig if isinstance(error, DBAPIError) else None
        lines = str(cause or error).strip().splitlines()
        raise StoreUnavailable(words()("store.the_copy_was_cut", first=lines[0])) from error


def _copied(source: SqlLedger, target: SqlLedger, tell: Tell) -> dict[str, int]:
    mark = begun_from(source, target) or _begun(source, target)
    for place, table in enumerate(LONG):
        if table.name == mark.table:
            _copy_long(source, target, table, mark, tell)
            if place + 1 < len(LONG):
                mark.table, mark.after = str(LONG[place + 1].name), None
    return _finish(source, target, mark)


def _begun(source: SqlLedger, target: SqlLedger) -> CopyMark:
    """Begin a copy: the target has to be empty, and has the months of the source made."""
    with source.engine.execution_options(reads=True).connect() as reading, target.engine.begin() as writing:
        for table in _tables():
            if _count(writing, table):
                raise UsageError(
                    Said("usage.the_target_ledger_holds_rows_in", table=table.name), Said("usage.name_an_empty_one")
                )
        began = None
        if source.engine.dialect.name == "postgresql":
            began = reading.execute(text("SELECT pg_snapshot_xmin(pg_current_snapshot())::xid::text")).scalar_one()
        months.make_since(writing, months.EVENTS, reading.execute(select(func.min(t.events.c.start_ms))).scalar())
        months.make_since(
            writing, months.FORECASTS, reading.execute(select(func.min(t.forecasts.c.issued_ms))).scalar()
        )
        mark = CopyMark(source.address, began, sum(_count(reading, table) for table in LONG))
        _keep(writing, mark)
    return mark


def _copy_long(source: SqlLedger, target: SqlLedger, table: Table, mark: CopyMark, tell: Tell) -> None:
    keys = list(table.primary_key.columns)
    while True:
        query = select(table).order_by(*keys).limit(STEP)
        if mark.after is not None:
            query = query.where(tuple_(*keys) > tuple_(*mark.after))
        with source.engine.execution_options(reads=True).connect() as reading:
            rows = [dict(row) for row in reading.execute(query).mappings()]
        if not rows:
            return
        mark.after = [rows[-1][key.name] for key in keys]
        mark.copied += len(rows)
        with target.engine.begin() as writing:
            writing.execute(table.insert(), rows)
            _keep(writing, mark)
        tell(mark.copied, mark.rows)


def _finish(source: SqlLedger, target: SqlLedger, mark: CopyMark) -> dict[str, int]:
    """In one snapshot of the source: what the long tables have got since, and all others. Then both are compared."""
    with source.engine.execution_options(reads=True).connect() as reading, target.engine.begin() as writing:
        if mark.began is not None:
            reading.exec_driver_sql("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ")
            for table in LONG:
                for rows in _changed(reading, table, mark.began):
                    target.put_rows(writing, table, rows)
        writing.execute(t.notes.delete())
        for table in _tables():
            if table not in LONG:
                for rows in _read(reading, select(table)):
                    writing.execute(table.insert(), rows)
                _count_on(writing, table)
        counts = {table.name: _count(reading, table) for table in _tables()}
        _compare(writing, counts)
    return counts


def _changed(reading: Connection, table: Table, began: str) -> Iterator[list[dict[str, Any]]]:
    """Rows that a transaction wrote which was open, or not begun, when the copy began."""
    since = text("age(xmin) <= age(CAST(:began AS xid))").bindparams(began=began)
    return _read(reading, select(table).where(since))


def _read(reading: Connection, query: Select[Any]) -> Iterator[list[dict[str, Any]]]:
    result = reading.execution_options(yield_per=STEP).execute(query)
    for rows in result.mappings().partitions():
        yield [dict(row) for row in rows]


def _tables() -> list[Table]:
    return [table for table in t.metadata.sorted_tables if table not in LEFT_OUT]


def _count(connection: Connection, table: Table) -> int:
    return int(connection.execute(select(func.count()).select_from(table)).scalar_one())


def _keep(writing: Connection, mark: CopyMark) -> None:
    writing.execute(t.notes.delete().where(t.notes.c.name == COPY_MARK))
    writing.execute(t.notes.insert().values(name=COPY_MARK, value=msgspec.json.encode(mark).decode()))


def _count_on(connection: Connection, table: Table) -> None:
    """Set the sequence of a PostgreSQL key to continue after the copied rows."""
    if connection.dialect.name != "postgresql":
        return
    for column in table.primary_key.columns:
        name = connection.execute(
            text("SELECT pg_get_serial_sequence(:table, :column)"), {"table": table.name, "column": column.name}
        ).scalar_one()
        if name is not None:
            newest = connection.execute(select(func.max(column))).scalar_one()
            if newest is not None:
                connection.execute(text("SELECT setval(:name, :newest)"), {"name": name, "newest": newest})


def _compare(writing: Connection, counts: dict[str, int]) -> None:
    for name, copied in counts.items():
        table = t.metadata.tables[name]
        held = _count(writing, table)
        if held < copied or (held > copied and table not in LONG):
            raise StoreRefused(words()("store.the_copy_of_holds_of_rows", name=name, held=held, copied=copied))
