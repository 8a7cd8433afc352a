"""Five-minute summaries of readings: count, extremes and sum, so that a year can be pictured at once.

`summary` holds sound summaries; `stale` names those that a new or late reading has touched since. A picture takes
sound ones from `summary` and reads the others from `reading`, so it is exact at any moment.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Set as AbstractSet
from dataclasses import dataclass

from forecaster.domain.readings import SeriesPoint

SUMMARY_MS = 300_000

SUMMARY_SCHEMA = """
CREATE TABLE summary (
  series INTEGER NOT NULL, bucket INTEGER NOT NULL, count INTEGER NOT NULL,
  low REAL NOT NULL, high REAL NOT NULL, sum REAL NOT NULL, PRIMARY KEY (series, bucket)
) STRICT, WITHOUT ROWID;
CREATE TABLE stale (series INTEGER NOT NULL, bucket INTEGER NOT NULL, PRIMARY KEY (series, bucket))
  STRICT, WITHOUT ROWID;
"""


@dataclass(frozen=True, slots=True)
class Window:
    """What is pictured: a series, a half-open span and the greatest number of points."""

    series: int
    start_ms: int
    end_ms: int
    points: int


def mark_stale(db: sqlite3.Connection, buckets: AbstractSet[tuple[int, int]]) -> None:
    """Within the caller's transaction, name (series, bucket) whose readings changed."""
    db.executemany("INSERT OR IGNORE INTO stale VALUES (?, ?)", sorted(buckets))


def stale_count(db: sqlite3.Connection) -> int:
    """How many summaries are stale."""
    return int(db.execute("SELECT count(*) FROM stale").fetchone()[0])


def renew(db: sqlite3.Connection) -> None:
    """Within the caller's transaction, make every stale summary anew from its readings."""
    db.execute("DELETE FROM summary WHERE (series, bucket) IN (SELECT series, bucket FROM stale)")
    db.execute(
        "INSERT INTO summary SELECT s.series, s.bucket, count(*), min(r.value), max(r.value), sum(r.value)"
        f" FROM stale s JOIN reading r ON r.series = s.series AND r.time_ms >= s.bucket * {SUMMARY_MS}"
        f" AND r.time_ms < (s.bucket + 1) * {SUMMARY_MS} GROUP BY s.series, s.bucket"
    )
    db.execute("DELETE FROM stale")


PICTURE = f"""
SELECT (at - :origin) / :width AS place, sum(count), min(low), max(high), sum(sum) FROM (
  SELECT bucket * {SUMMARY_MS} AS at, count, low, high, sum FROM summary
   WHERE series = :series AND bucket >= :first AND bucket < :last
     AND bucket NOT IN (SELECT bucket FROM stale WHERE series = :series)
  UNION ALL
  SELECT r.time_ms, 1, r.value, r.value, r.value FROM stale s
    JOIN reading r ON r.series = :series AND r.time_ms >= s.bucket * {SUMMARY_MS}
     AND r.time_ms < (s.bucket + 1) * {SUMMARY_MS}
   WHERE s.series = :series AND s.bucket >= :first AND s.bucket < :last
  UNION ALL
  SELECT time_ms, 1, value, value, value FROM reading
   WHERE series = :series AND time_ms >= :start AND time_ms < :head_end
  UNION ALL
  SELECT time_ms, 1, value, value, value FROM reading
   WHERE series = :series AND time_ms >= :tail_start AND time_ms < :end
) GROUP BY place ORDER BY place
"""

RAW = """
SELECT (time_ms - :origin) / :width AS place, count(*), min(value), max(value), sum(value) FROM reading
 WHERE series = :series AND time_ms >= :start AND time_ms < :end GROUP BY place ORDER BY place
"""


def pictured(db: sqlite3.Connection, window: Window) -> list[SeriesPoint]:
    """At most `points` buckets of equal width that keep the extremes; a bucket without readings is left out."""
    span = window.end_ms - window.start_ms
    values: dict[str, int] = {"series": window.series, "start": window.start_ms, "end": window.end_ms}
    if span < window.points * SUMMARY_MS:
        values |= {"origin": window.start_ms, "width": -(-span // window.points)}
        rows = db.execute(RAW, values).fetchall()
    else:
        origin = window.start_ms // SUMMARY_MS * SUMMARY_MS
        whole = -(-(window.end_ms - origin) // window.points)
        first, last = -(-window.start_ms // SUMMARY_MS), window.end_ms // SUMMARY_MS
        values |= {
            "origin": origin,
            "width": -(-whole // SUMMARY_MS) * SUMMARY_MS,
            "first": first,
            "last": last,
            "head_end": min(first * SUMMARY_MS, window.end_ms),
            "tail_start": max(last * SUMMARY_MS, window.start_ms),
        }
        rows = db.execute(PICTURE, values).fetchall()
    origin, width = values["origin"], values["width"]
    return [
        SeriesPoint(max(origin + place * width, window.start_ms), count, low, high, total / count)
        for place, count, low, high, total in rows
    ]
