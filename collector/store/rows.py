"""Rows of readings into the table, many to a statement; the later arrival of one identity stands."""

from __future__ import annotations

import itertools
import sqlite3
from collections.abc import Sequence

Row = tuple[int, int, int, float, int]
"""seq, series, time_ms, value, lag_ms."""

PLACES = "(?, ?, ?, ?, ?)"
UPSERT = """
INSERT INTO reading (seq, series, time_ms, value, lag_ms) VALUES {rows}
ON CONFLICT (series, time_ms) DO UPDATE SET seq = excluded.seq, value = excluded.value, lag_ms = excluded.lag_ms
WHERE excluded.value <> value
  AND (excluded.lag_ms > lag_ms OR (excluded.lag_ms = lag_ms AND excluded.value > value))
"""
AT_ONCE = (500, 50, 5, 1)
"""Rows in one statement: between two, other threads may run, and the one that receives messages takes long turns."""

UPSERTS = {count: UPSERT.format(rows=", ".join([PLACES] * count)) for count in AT_ONCE}

TOUCH = (
    "UPDATE reading SET lag_ms = :lag WHERE series = :series AND time_ms = :time AND value = :value AND lag_ms < :lag"
)


def upsert(db: sqlite3.Connection, rows: Sequence[Row]) -> int:
    """Store rows in order, within the caller's transaction. Returns how many are new or changed."""
    changed = begin = 0
    for count in AT_ONCE:
        while len(rows) - begin >= count:
            flat = list(itertools.chain.from_iterable(rows[begin : begin + count]))
            changed += db.execute(UPSERTS[count], flat).rowcount
            begin += count
    if changed < len(rows):
        touched = [{"series": s, "time": t, "value": v, "lag": lag} for _, s, t, v, lag in rows]
        db.executemany(TOUCH, touched)
    return changed
