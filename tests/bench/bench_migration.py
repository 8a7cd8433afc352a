"""A ledger of ten million rows of the version before the months, brought up to date on PostgreSQL; then its first page.

Runs of ten years at 800 sites, 10,000 each, and 2,500 past forecasts each of the size that a packed one has.
"""

from __future__ import annotations

import json
import random
import statistics
import time
from collections.abc import Callable
from contextlib import closing

from sqlalchemy import create_engine, text

from collector.store.bodies import packed
from collector.store.open import open_ledger
from forecaster.domain.ports import Ledger
from tests.bench import Figure
from tests.bench.fleet import site_id
from tests.engines import running_postgres
from tests.upgrade.ledgers import kept

BEFORE = "10"
SITES, RUNS, FORECASTS = 800, 10_000, 2_500
SPAN_MS = 3_650 * 86_400_000
LOOKS = 31

EVENTS = """
INSERT INTO events SELECT site, 'run', start_ms, '', 10.5, 1.4, json_build_object(
  'site', site, 'start_ms', start_ms, 'stop_ms', start_ms + 10500, 'energy_wh', 1.4, 'power_w', 480.0,
  'peak_w', 512.0, 'source', 'pump_power', 'supply', 'mains', 'samples', 5)::text
FROM (SELECT 'cellar-' || lpad(number::text, 5, '0') AS site, :end - at * (:span / :count) AS start_ms
  FROM generate_series(0, :sites - 1) AS number, generate_series(1, :count) AS at) AS runs
"""
PAST = """
INSERT INTO forecasts SELECT 'cellar-' || lpad(number::text, 5, '0'), :end - at * (:span / :count), :document
FROM generate_series(0, :sites - 1) AS number, generate_series(1, :count) AS at
"""


def fill(url: str, now_ms: int) -> None:
    """The ledger as that release made it, with all rows."""
    engine = create_engine(url)
    with engine.begin() as connection:
        for statement in kept()[BEFORE]["postgresql"]:
            connection.execute(text(statement))
        connection.execute(text(f"INSERT INTO schema (version) VALUES ({BEFORE})"))
    given = {"sites": SITES, "span": SPAN_MS, "end": now_ms}
    with engine.begin() as connection:
        connection.execute(text(EVENTS), given | {"count": RUNS})
        connection.execute(text(PAST), given | {"count": FORECASTS, "document": document()})
    engine.dispose()


def document() -> str:
    """A packed document of 1.5 kB, as a past forecast takes."""
    return packed(json.dumps({"told": random.Random(0).randbytes(1_125).hex()}))


def median_ms(look: Callable[[], object]) -> float:
    """The median of some looks [ms]."""
    spent = []
    for _ in range(LOOKS):
        began_s = time.perf_counter()
        look()
        spent.append(1000.0 * (time.perf_counter() - began_s))
    return statistics.median(spent)


def run() -> list[Figure]:
    """Fill it, open it with this release, and look at it."""
    now_ms = round(time.time() * 1000)
    with running_postgres() as postgres:
        url = postgres.empty_database("older")
        fill(url, now_ms)
        began_s = time.monotonic()
        with closing(open_ledger(url)) as ledger:
            took_s = time.monotonic() - began_s
            return [
                Figure("rows", float(SITES * (RUNS + FORECASTS)), "rows"),
                Figure("brought up to date", took_s, "s"),
                *first_pages(ledger, now_ms),
            ]


def first_pages(ledger: Ledger, now_ms: int) -> list[Figure]:
    """The first page of a site's runs, and its past forecasts of a day."""
    site, day_ms = site_id(SITES // 2), 86_400_000
    return [
        Figure("first page of a site's runs", median_ms(lambda: ledger.runs(site, 0, now_ms, 50)), "ms", aim="<= 100"),
        Figure(
            "past forecasts of a month",
            median_ms(lambda: ledger.forecasts(site, now_ms - 30 * day_ms, now_ms)),
            "ms",
            aim="<= 100",
        ),
    ]
