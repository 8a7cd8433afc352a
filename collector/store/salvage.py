"""What can still be read of a damaged ledger is taken over into the fresh one: people's things first, and what is owed.

Rows are read from the front until a page cannot be, and then from the back: what lies between is lost. A token that is
not among them is gone: nobody logs in with it, and nothing is opened for want of it.
"""

from __future__ import annotations

import logging
import sqlite3
from collections.abc import Iterator
from contextlib import closing, suppress
from pathlib import Path
from typing import Any

import msgspec
from sqlalchemy import Table
from sqlalchemy.dialects.sqlite import insert
from sqlalchemy.exc import SQLAlchemyError

from collector.store import ledger_schema as t
from collector.store.ledger import SqlLedger
from forecaster.domain.records import LEDGER_LOSS, LedgerLoss

log = logging.getLogger("outlast.store")

TAKEN = (
    t.tokens, t.sessions, t.subscriptions, t.notes, t.tests, t.work, t.alarms, t.transitions, t.changes,
    t.deliveries, t.events, t.days, t.pump_days,
)  # fmt: skip
"""Tables that are taken over. Forecasts and states of engines are made anew from the readings."""

BODIES = frozenset({"body", "document"})
"""Columns that hold JSON."""

Row = dict[str, Any]


def salvage(damaged: Path, fresh: SqlLedger, why: str) -> LedgerLoss:
    """Take over what can be read, and keep a note of what was lost. `fresh` is an empty ledger.

    damaged : Path — the file as it was moved aside; why : str — what was found, in a line
    The time of the loss is for whoever has a clock to put in.
    """
    kept = {table.name: _take(damaged, table, fresh) for table in TAKEN}
    loss = LedgerLoss(0, why, kept["tokens"], kept["alarms"], kept["subscriptions"])
    fresh.note(LEDGER_LOSS, msgspec.json.encode(loss).decode())
    log.error(
        "%s; taken over from it: %s. Look at `outlast token list`: one that was revoked just before may stand again",
        why, ", ".join(f"{count} {name}" for name, count in kept.items()),
    )  # fmt: skip
    return loss


def _take(damaged: Path, table: Table, fresh: SqlLedger) -> int:
    """Copy the rows of a table that can be read and that the fresh ledger takes; how many."""
    taken = 0
    for row in _rows(damaged, table):
        with suppress(SQLAlchemyError), fresh.engine.begin() as connection:
            taken += connection.execute(insert(table).values(row).on_conflict_do_nothing()).rowcount
    return taken


def _rows(damaged: Path, table: Table) -> Iterator[Row]:
    """Sound rows from the front, and from the back where the front breaks off."""
    seen: set[int] = set()
    for order in ("ASC", "DESC"):
        try:
            with closing(sqlite3.connect(damaged, isolation_level=None)) as connection:
                connection.row_factory = sqlite3.Row
                for found in connection.execute(f"SELECT rowid AS at_row, * FROM {table.name} ORDER BY rowid {order}"):
                    row = dict(found)
                    at_row = row.pop("at_row")
                    if at_row in seen:
                        return
                    seen.add(at_row)
                    if _sound(table, row):
                        yield row
            return
        except (sqlite3.Error, UnicodeDecodeError):
            continue  # a page that cannot be read: the other end is tried


def _sound(table: Table, row: Row) -> bool:
    """Whether a row holds what its columns are for: a damaged page may give anything."""
    for name, value in row.items():
        column = table.columns.get(name)
        if column is None:
            return False
        wanted = int if column.type.python_type is bool else column.type.python_type
        if not (isinstance(value, wanted) or (value is None and column.nullable)):
            return False
        if name in BODIES and isinstance(value, str) and not _is_json(value):
            return False
    return True


def _is_json(text: str) -> bool:
    try:
        msgspec.json.decode(text)
    except msgspec.DecodeError:
        return False
    return True
