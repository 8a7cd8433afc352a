"""Following an SQLite store: readings in the order of storing, for all sites or for some."""

from __future__ import annotations

import sqlite3

from forecaster.domain.errors import StoreRefused
from forecaster.domain.ports import Tail
from forecaster.domain.quantities import Quantity
from forecaster.domain.readings import Reading

LAST_STORED = 1_000
"""Readings looked at for the newest arrival."""

CONDITIONS = 8
"""Conditions kept: those who follow a store ask for the same sites again and again."""

Named = dict[int, tuple[str, Quantity, str]]


class Names:
    """What each series is, by its number. A number is given once, so what was read once is not read again."""

    def __init__(self) -> None:
        self._known: Named = {}
        self._conditions: dict[frozenset[str], tuple[int, str]] = {}

    def read(self, db: sqlite3.Connection) -> Named:
        """Site, quantity and subject of every series in the connection's snapshot."""
        known = self._known
        newer = db.execute(
            "SELECT id, site, quantity, subject FROM series WHERE id > ?", (max(known, default=0),)
        ).fetchall()
        if newer:
            fresh = {int(row[0]): (str(row[1]), Quantity(row[2]), str(row[3])) for row in newer}
            self._known = known = {**known, **fresh}
        return known

    def among(self, sites: frozenset[str] | None) -> str:
        """The condition that a row is of one of some sites; nothing where they are all. Made anew for new series.

        The plus keeps to the order of storing: by the index of series every page would sort all of their readings anew.
        """
        if sites is None:
            return ""
        known = self._known
        count, condition = self._conditions.get(sites, (-1, ""))
        if count != len(known):
            numbers = [str(number) for number, name in known.items() if name[0] in sites]
            condition = "" if len(numbers) == len(known) else f"AND +series IN ({','.join(numbers) or '-1'})"
            if len(self._conditions) >= CONDITIONS:
                self._conditions.clear()
            self._conditions[sites] = len(known), condition
        return condition


def follow(db: sqlite3.Connection, names: Names, cursor: str | None, limit: int, sites: frozenset[str] | None) -> Tail:
    """Readings stored after `cursor` (None: from the beginning), oldest first, at most `limit`.

    A cursor of a store that was moved aside and started afresh begins at the beginning.
    """
    store_id = str(db.execute("SELECT value FROM meta WHERE name = 'id'").fetchone()[0])
    after = _place(cursor, store_id)
    named = names.read(db)
    last = int(db.execute("SELECT value FROM meta WHERE name = 'next_seq'").fetchone()[0]) - 1
    rows = db.execute(
        f"SELECT seq, series, time_ms, value, lag_ms FROM reading WHERE seq > ? {names.among(sites)}"
        " ORDER BY seq LIMIT ?",
        (after, limit),
    ).fetchall()
    readings = []
    for _, number, time_ms, value, lag_ms in rows:
        site, quantity, subject = named[number]
        readings.append(Reading(site, quantity, time_ms, value, time_ms + lag_ms, subject))
    reached = rows[-1][0] if len(rows) >= limit and rows else max(last, after)
    return Tail(tuple(readings), f"{store_id}.{reached}")


def newest_arrival_ms(db: sqlite3.Connection) -> int | None:
    """When the newest of the last stored readings arrived [ms]; None: nothing is stored."""
    found = db.execute(
        "SELECT max(time_ms + lag_ms) FROM (SELECT time_ms, lag_ms FROM reading ORDER BY seq DESC LIMIT ?)",
        (LAST_STORED,),
    ).fetchone()[0]
    return None if found is None else int(found)


def _place(cursor: str | None, store_id: str) -> int:
    if cursor is None:
        return 0
    ident, _, place = cursor.partition(".")
    if not place.isdecimal():
        raise StoreRefused(f"cursor {cursor!r} is not one of this store's; begin without one")
    return int(place) if ident == store_id else 0
