"""Summaries of readings by five minutes and by the hour: count, extremes, sum; a year can be pictured at once.

`summary` holds valid five-minute summaries; `stale` lists those that a new or late reading has since changed; `hourly`
holds sums of twelve, and an hour with a stale part is stale itself. A picture uses valid summaries of the coarsest
level that fits, and for the rest the next finer one, down to `reading`: so it is always exact.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Set as AbstractSet
from dataclasses import dataclass

from forecaster.domain.readings import SeriesPoint
from forecaster.domain.times import HOUR_MS

SUMMARY_MS = 300_000
PER_HOUR = HOUR_MS // SUMMARY_MS

COARSE = 4
"""A picture whose points span at least so many hours is made of whole hours."""

HOUR_OF = f"((bucket - (bucket < 0) * {PER_HOUR - 1}) / {PER_HOUR})"
"""The hour of a five-minute bucket, rounded down before 1970 too."""

SUMMARY_SCHEMA = """
CREATE TABLE summary (
  series INTEGER NOT NULL, bucket INTEGER NOT NULL, count INTEGER NOT NULL,
  low REAL NOT NULL, high REAL NOT NULL, sum REAL NOT NULL, PRIMARY KEY (series, bucket)
) STRICT, WITHOUT ROWID;
CREATE TABLE stale (series INTEGER NOT NULL, bucket INTEGER NOT NULL, PRIMARY KEY (series, bucket))
  STRICT, WITHOUT ROWID;
"""

HOURLY_SCHEMA = f"""
CREATE TABLE hourly (
  series INTEGER NOT NULL, hour INTEGER NOT NULL, count INTEGER NOT NULL,
  low REAL NOT NULL, high REAL NOT NULL, sum REAL NOT NULL, PRIMARY KEY (series, hour)
) STRICT, WITHOUT ROWID;
INSERT INTO hourly SELECT series, {HOUR_OF} AS hour, sum(count), min(low), max(high), sum(sum)
  FROM summary GROUP BY series, hour;
"""
"""This also upgrades a file without hours. An hour with a stale part is corrected when the part is renewed."""


@dataclass(frozen=True, slots=True)
class SeriesRequest:
    """A request for a picture: a series, a half-open span and the greatest number of points."""

    series: int
    start_ms: int
    end_ms: int
    points: int


def mark_stale(db: sqlite3.Connection, buckets: AbstractSet[tuple[int, int]]) -> None:
    """Within the caller's transaction, mark the (series, bucket) pairs whose readings changed."""
    db.executemany("INSERT OR IGNORE INTO stale VALUES (?, ?)", sorted(buckets))


def stale_count(db: sqlite3.Connection) -> int:
    """How many summaries are stale."""
    return int(db.execute("SELECT count(*) FROM stale").fetchone()[0])


def renew(db: sqlite3.Connection) -> None:
    """In the caller's transaction, compute stale summaries anew from their readings, and hours from their parts."""
    db.execute("DELETE FROM summary WHERE (series, bucket) IN (SELECT series, bucket FROM stale)")
    db.execute(
        "INSERT INTO summary SELECT s.series, s.bucket, count(*), min(r.value), max(r.value), sum(r.value)"
        f" FROM stale s JOIN reading r ON r.series = s.series AND r.time_ms >= s.bucket * {SUMMARY_MS}"
        f" AND r.time_ms < (s.bucket + 1) * {SUMMARY_MS} GROUP BY s.series, s.bucket"
    )
    db.execute(f"DELETE FROM hourly WHERE (series, hour) IN (SELECT series, {HOUR_OF} FROM stale)")
    db.execute(
        "INSERT INTO hourly SELECT h.series, h.hour, sum(s.count), min(s.low), max(s.high), sum(s.sum)"
        f" FROM (SELECT DISTINCT series, {HOUR_OF} AS hour FROM stale) h JOIN summary s ON s.series = h.series"
        f" AND s.bucket >= h.hour * {PER_HOUR} AND s.bucket < (h.hour + 1) * {PER_HOUR} GROUP BY h.series, h.hour"
    )
    db.execute("DELETE FROM stale")


def forget(db: sqlite3.Connection, before_ms: int) -> None:
    """Within the caller's transaction, drop the summaries of dropped readings; the one at the edge becomes stale."""
    edge = before_ms // SUMMARY_MS
    db.execute("DELETE FROM hourly WHERE hour < ?", (before_ms // HOUR_MS,))
    db.execute("DELETE FROM summary WHERE bucket < ?", (edge,))
    db.execute("DELETE FROM stale WHERE bucket < ?", (edge,))
    mark_stale(db, {(int(row[0]), edge) for row in db.execute("SELECT id FROM series").fetchall()})


ENDS = """
  SELECT r.time_ms, 1, r.value, r.value, r.value FROM stale s
    JOIN reading r ON r.series = :series AND r.time_ms >= s.bucket * :part AND r.time_ms < (s.bucket + 1) * :part
   WHERE s.series = :series AND s.bucket >= :first AND s.bucket < :last
  UNION ALL
  SELECT time_ms, 1, value, value, value FROM reading
   WHERE series = :series AND time_ms >= :start AND time_ms < :head_end
  UNION ALL
  SELECT time_ms, 1, value, value, value FROM reading
   WHERE series = :series AND time_ms >= :tail_start AND time_ms < :end
) GROUP BY place ORDER BY place
"""
"""The part of a picture that is read from the readings: stale five minutes, and ends that are no whole units."""

HEAD = "SELECT (at - :origin) / :width AS place, sum(count), min(low), max(high), sum(sum) FROM ("

BY_FIVE_MINUTES = f"""{HEAD}
  SELECT bucket * :part AS at, count, low, high, sum FROM summary
   WHERE series = :series AND bucket >= :first AND bucket < :last
     AND bucket NOT IN (SELECT bucket FROM stale WHERE series = :series)
  UNION ALL{ENDS}"""

BY_HOUR = f"""{HEAD}
  SELECT hour * {HOUR_MS} AS at, count, low, high, sum FROM hourly
   WHERE series = :series AND hour >= :first / {PER_HOUR} AND hour < :last / {PER_HOUR}
     AND hour NOT IN (SELECT {HOUR_OF} FROM stale WHERE series = :series)
  UNION ALL
  SELECT s.bucket * :part, s.count, s.low, s.high, s.sum
    FROM (SELECT DISTINCT {HOUR_OF} AS hour FROM stale WHERE series = :series) h
    JOIN summary s ON s.series = :series AND s.bucket >= h.hour * {PER_HOUR} AND s.bucket < (h.hour + 1) * {PER_HOUR}
   WHERE s.bucket >= :first AND s.bucket < :last
     AND s.bucket NOT IN (SELECT bucket FROM stale WHERE series = :series)
  UNION ALL{ENDS}"""

RAW = """
SELECT (time_ms - :origin) / :width AS place, count(*), min(value), max(value), sum(value) FROM reading
 WHERE series = :series AND time_ms >= :start AND time_ms < :end GROUP BY place ORDER BY place
"""


def pictured(db: sqlite3.Connection, window: SeriesRequest) -> list[SeriesPoint]:
    """At most `points` buckets of equal width that keep the extremes; a bucket without readings is left out."""
    span = window.end_ms - window.start_ms
    values: dict[str, int] = {"series": window.series, "start": window.start_ms, "end": window.end_ms}
    if span < window.points * SUMMARY_MS:
        values |= {"origin": window.start_ms, "width": -(-span // window.points)}
        rows = db.execute(RAW, values).fetchall()
    else:
        by_hour = span >= window.points * COARSE * HOUR_MS
        unit = HOUR_MS if by_hour else SUMMARY_MS
        origin = window.start_ms // unit * unit
        whole = -(-(window.end_ms - origin) // window.points)
        first, last = -(-window.start_ms // unit), window.end_ms // unit
        values |= {
            "origin": origin,
            "width": -(-whole // unit) * unit,
            "part": SUMMARY_MS,
            "first": first * unit // SUMMARY_MS,
            "last": last * unit // SUMMARY_MS,
            "head_end": min(first * unit, window.end_ms),
            "tail_start": max(last * unit, window.start_ms),
        }
        rows = db.execute(BY_HOUR if by_hour else BY_FIVE_MINUTES, values).fetchall()
    origin, width = values["origin"], values["width"]
    return [
        SeriesPoint(max(origin + place * width, window.start_ms), count, low, high, total / count)
        for place, count, low, high, total in rows
    ]
