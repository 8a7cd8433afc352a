"""Both stores in one run: ingest, range reads, replays, told as SQLite over InfluxDB: above 1 SQLite leads.

InfluxDB is 1.6 behind the shipped proxy, on the same disk; its readings pass the durable local outbox first.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from tempfile import TemporaryDirectory

from collector.clock import SystemClock
from collector.config.settings import load_installation
from collector.store.open import open_ledger, open_readings
from forecaster.domain.ports import ReadingStore
from forecaster.domain.quantities import Quantity
from forecaster.domain.readings import Reading
from tests.bench import Figure
from tests.bench.fleet import site_id, write_fleet
from tests.engines import running_influx

START_MS = 1_772_510_700_000
MINUTE_MS, DAY_MS = 60_000, 86_400_000
YEAR = 365 * 1440
"""Readings in a year of one a minute."""

INGESTED, SITES, BATCH = 50_000, 200, 167
"""What is ingested: readings, sites they are of, readings a commit (as many as QoS 1 has under way by default)."""

FILL, STEP = 20_000, 5_000
READS = 7

Measures = dict[str, float]


def reading(site: str, number: int) -> Reading:
    """A reading a minute, one in eighteen of a running pump."""
    at_ms = START_MS + number * MINUTE_MS
    return Reading(site, Quantity.PUMP_POWER, at_ms, 480.0 if number % 18 == 0 else 0.4, at_ms + 200)


def rate(count: int, work: Callable[[], None]) -> float:
    """Readings a second."""
    started = time.perf_counter()
    work()
    return count / (time.perf_counter() - started)


def middle_ms(work: Callable[[], object]) -> float:
    """The median time of some reads [ms]."""
    took = []
    for _ in range(READS):
        started = time.perf_counter()
        work()
        took.append(time.perf_counter() - started)
    return sorted(took)[READS // 2] * 1e3


def fill(store: ReadingStore, site: str, count: int, batch: int) -> None:
    """Store a site's readings in batches."""
    for begin in range(0, count, batch):
        store.append([reading(site, number) for number in range(begin, min(count, begin + batch))])


def ingest(store: ReadingStore) -> None:
    """Readings of many sites in commits as small as the broker's window makes them."""
    for begin in range(0, INGESTED, BATCH):
        numbers = range(begin, min(INGESTED, begin + BATCH))
        store.append([reading(site_id(number % SITES), number // SITES) for number in numbers])


def replay(store: ReadingStore, site: str) -> None:
    """Follow everything of one site from the beginning, as a forecaster that learns anew."""
    cursor, found = None, 0
    while (tail := store.tail(cursor, STEP, frozenset({site}))).readings:
        cursor = tail.cursor
        found += len(tail.readings)
    assert found == YEAR, f"{found} of {YEAR} readings came back"


def measure(store: ReadingStore) -> Measures:
    """All measures of one store that begins empty."""
    year = "year-long"
    end_ms = START_MS + YEAR * MINUTE_MS

    def points(start_ms: int, count: int | None) -> int:
        return sum(p.count for p in store.series(year, Quantity.PUMP_POWER, start_ms, end_ms, count))

    ingested = rate(INGESTED, lambda: ingest(store))
    assert store.count() == INGESTED
    filled = rate(YEAR, lambda: fill(store, year, YEAR, FILL))
    assert points(START_MS, 1000) == YEAR
    assert points(end_ms - DAY_MS, None) == 1440
    return {
        "durable ingest of small commits [readings/s]": ingested,
        "durable ingest of large commits [readings/s]": filled,
        "a day, every reading [ms]": middle_ms(lambda: points(end_ms - DAY_MS, None)),
        "a year as 1,000 points [ms]": middle_ms(lambda: points(START_MS, 1000)),
        "replay of a year [readings/s]": rate(YEAR, lambda: replay(store, year)),
    }


def measured(folder: Path, url: str) -> Measures:
    """The measures of the store at a URL, of an installation in a folder."""
    write_fleet(folder, 1, "mqtt://127.0.0.1:1", url)
    installation, clock = load_installation(folder), SystemClock()
    with (
        closing(open_ledger(installation.ledger_url)) as ledger,
        closing(open_readings(installation, ledger, clock, role="bench", owner=True)) as store,
    ):
        return measure(store)


def run() -> list[Figure]:
    """Everything of this topic."""
    with TemporaryDirectory() as name:
        (Path(name) / "server").mkdir()
        embedded = measured(Path(name) / "embedded", "sqlite:///outlast.db")
        with running_influx(Path(name) / "server") as influx:
            served = measured(Path(name) / "served", f"{influx.url}/outlast")
    figures = []
    for name, ours in embedded.items():
        theirs, unit = served[name], name.partition("[")[2].rstrip("]")
        what = name.partition(" [")[0]
        ratio = ours / theirs if unit == "readings/s" else theirs / ours
        figures += [
            Figure(f"SQLite, {what}", ours, unit),
            Figure(f"InfluxDB, {what}", theirs, unit),
            Figure(f"SQLite over InfluxDB, {what}", ratio, "ratio", "", "InfluxDB in the same run"),
        ]
    return figures
