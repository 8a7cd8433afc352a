"""Copies readings and ledgers from one database to another, in steps that can be resumed, and compares them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from sqlalchemy import Connection, func, select, text

from collector.store import ledger_schema
from collector.store.ledger import SqlLedger
from forecaster.domain.errors import StoreRefused, UsageError
from forecaster.domain.ports import ReadingStore
from forecaster.texts.catalogue import Said, words

STEP = 5000
"""Readings or rows in one step."""


@dataclass(frozen=True, slots=True)
class Moved:
    """Readings copied in this call, and the readings held by site on both sides: (site, source, target)."""

    copied: int
    counts: tuple[tuple[str, int, int], ...]

    @property
    def missing(self) -> tuple[tuple[str, int, int], ...]:
        """Sites of which the target holds fewer readings than the source."""
        return tuple(row for row in self.counts if row[2] < row[1])


def move_readings(
    source: ReadingStore,
    target: ReadingStore,
    cursor: str | None,
    keep: Callable[[str], None],
    tell: Callable[[int], None],
) -> Moved:
    """Copy what the source stored after `cursor`, then compare counts site by site.

    keep : called with the cursor after each durable step; an interrupted move resumes from there
    tell : called with the number of readings copied so far
    Errors: StoreUnavailable, StoreRefused; what was copied stays copied.
    """
    copied = 0
    while (tail := source.tail(cursor, STEP)).readings:
        target.append(tail.readings)
        copied += len(tail.readings)
        cursor = tail.cursor
        keep(cursor)
        tell(copied)
    counts = tuple((site, source.count(site), target.count(site)) for site in source.sites())
    return Moved(copied, counts)


def copy_ledger(source: SqlLedger, target: SqlLedger) -> dict[str, int]:
    """Copy every table of one ledger into an empty one; rows by table. UsageError when the target is not empty."""
    counts: dict[str, int] = {}
    with source.engine.execution_options(reads=True).connect() as reading, target.engine.begin() as writing:
        if source.engine.dialect.name == "postgresql":
            reading.exec_driver_sql("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ")
        for table in ledger_schema.metadata.sorted_tables:
            if table is ledger_schema.schema or table in ledger_schema.OF_THE_MOMENT:
                continue
            if writing.execute(select(func.count()).select_from(table)).scalar_one():
                raise UsageError(
                    Said("usage.the_target_ledger_holds_rows_in", table=table.name), Said("usage.name_an_empty_one")
                )
            counts[table.name] = 0
            result = reading.execution_options(yield_per=STEP).execute(select(table))
            for rows in result.mappings().partitions():
                writing.execute(table.insert(), [dict(row) for row in rows])
                counts[table.name] += len(rows)
            _count_on(writing, table.name)
    _compare(target, counts)
    return counts


def _count_on(connection: Connection, table: str) -> None:
    """Set the sequence of a PostgreSQL key to continue after the copied rows."""
    if connection.dialect.name != "postgresql":
        return
    for column in ledger_schema.metadata.tables[table].primary_key.columns:
        name = connection.execute(
            text("SELECT pg_get_serial_sequence(:table, :column)"), {"table": table, "column": column.name}
        ).scalar_one()
        if name is not None:
            newest = connection.execute(select(func.max(column))).scalar_one()
            if newest is not None:
                connection.execute(text("SELECT setval(:name, :newest)"), {"name": name, "newest": newest})


def _compare(target: SqlLedger, counts: dict[str, int]) -> None:
    with target.engine.execution_options(reads=True).connect() as connection:
        for name, copied in counts.items():
            table = ledger_schema.metadata.tables[name]
            held = connection.execute(select(func.count()).select_from(table)).scalar_one()
            if held != copied:
                raise StoreRefused(words()("store.the_copy_of_holds_of_rows", name=name, held=held, copied=copied))
