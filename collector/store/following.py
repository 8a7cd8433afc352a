"""Reads an SQLite store in the order of storing, for all sites or for some."""

from __future__ import annotations

import sqlite3

from forecaster.domain.errors import StoreRefused
from forecaster.domain.ports import Tail
from forecaster.domain.quantities import Quantity
from forecaster.domain.readings import Reading
from forecaster.texts.catalogue import words

LAST_STORED = 1_000
"""How many of the last readings are examined for the newest arrival."""

CONDITIONS = 8
"""How many conditions are cached: those who follow a store ask for the same sites again and again."""

Named = dict[int, tuple[str, Quantity, str]]


class Names:
    """The identities of series by their numbers. A number never changes its meaning, so that each is read only once."""

    def __init__(self) -> None:
        self._known: Named = {}
        self._conditions: dict[frozenset[str], tuple[int, str]] = {}

    def read(self, db: sqlite3.Connection) -> Named:
        """Read site, quantity and subject of every series in the connection's snapshot."""
        known = self._known
        newer = db.execute(
            "SELECT id, site, quantity, subject FROM series WHERE id > ?", (max(known, default=0),)
        ).fetchall()
        if newer:
            fresh = {int(row[0]): (str(row[1]), Quantity(row[2]), str(row[3])) for row in newer}
            self._known = known = {**known, **fresh}
        return known

    def among(self, sites: frozenset[str] | None) -> str:
        """The SQL condition that a row is of one of some sites; "" for all. It is made again when there are new series.

        The unary plus keeps SQLite from using the index of series: it would have to sort all readings for each page.
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


def follow(
    db: sqlite3.Connection,
    names: Names,
    cursor: str | None,
    limit: int,
    sites: frozenset[str] | None,
    until: str | None = None,
) -> Tail:
    """Readings stored after `cursor` (None: from the beginning) and up to `until`, oldest first, at most `limit`.

    A cursor of a store that has since been moved aside begins at the start of the new one.
    """
    store_id = str(db.execute("SELECT value FROM meta WHERE name = 'id'").fetchone()[0])
    after = _place(cursor, store_id)
    named = names.read(db)
    last = int(db.execute("SELECT value FROM meta WHERE name = 'next_seq'").fetchone()[0]) - 1
    bound = ""
    if until is not None:
        last = min(last, _place(until, store_id))
        bound = f"AND seq <= {last} "
    rows = db.execute(
        f"SELECT seq, series, time_ms, value, lag_ms FROM reading WHERE seq > ? {bound}{names.among(sites)}"
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
        raise StoreRefused(words()("store.cursor_is_not_one_of_this", cursor=cursor))
    return int(place) if ident == store_id else 0
