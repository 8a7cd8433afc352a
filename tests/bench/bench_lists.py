"""What the first page of every list takes with 10,000 sites, and how large `/metrics` is without those of each site.

A real `outlast serve` over SQLite, asked over loopback, one request after the other, on a connection that stays. Every
site has a forecast; one in ten an alarm that stands and others of the past; one site has years behind it.
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryDirectory

import httpx
import msgspec

from collector.config.settings import load_installation
from collector.store.open import open_ledger
from forecaster.domain.alarms import Alarm, AlarmKind, AlarmState, AlarmTransition, Priority, TransitionKind
from forecaster.domain.ports import Ledger
from forecaster.domain.records import StoredForecast
from forecaster.domain.runs import Outage
from forecaster.domain.times import DAY_MS, HOUR_MS
from forecaster.engine.document import document
from tests.api.pagesample import forecast, runs
from tests.bench import Figure
from tests.bench.bench_growth import waited
from tests.bench.fleet import site_id, write_fleet
from tests.bench.load import CALL
from tests.engines import ROOT, answers, free_port, wait_until
from tests.scenario import NOW_MS

SITES = 10_000
ON_PACK = 10
"""One site in so many is on the pack, with an alarm that stands."""

PAST = 5
"""Alarms of each site that are over."""

AIM_MS = 50.0
TIMES = 31
SPAN = "from=2025-01-01T00:00:00Z&to=2027-01-01T00:00:00Z"
LISTS = (
    "sites?limit=50",
    "alarms?limit=50",
    "alarms?limit=50&state=unacknowledged&kind=mains-lost",
    "sites/{site}/alarms?limit=50",
    f"sites/{{site}}/cycles?limit=50&{SPAN}",
    f"sites/{{site}}/forecasts?limit=50&{SPAN}",
    "sites/{site}/outages?limit=50",
    "sites/{site}/discharge-tests?limit=50",
    "sites/{site}/work?limit=50",
    "sites/{site}/edits?limit=50",
    "sites/{site}/calendar-links",
)
"""The first page of each list under /api/v1."""


def change(site: str, kind: AlarmKind, at_ms: int, state: AlarmState) -> AlarmTransition:
    over = state is AlarmState.NORMAL
    alarm = Alarm(
        id=f"{site}:{kind}:{at_ms}", site=site, kind=kind, priority=Priority.HIGH, state=state, episode=at_ms,
        raised_ms=at_ms, changed_ms=at_ms, headline="Mains lost.", action="Bring power.", consequence="A wet floor.",
        cleared_ms=at_ms if over else None, acknowledged_ms=None,
    )  # fmt: skip
    return AlarmTransition(alarm, TransitionKind.CLEARED if over else TransitionKind.RAISED, at_ms)


def fill(ledger: Ledger) -> None:
    """Forecasts and alarms of every site; runs, outages and past forecasts of the first."""
    ahead = document(forecast())
    like = ahead["site"]
    texts = [
        msgspec.json.encode({**ahead, "supply": supply, "hours_remaining": {**ahead["hours_remaining"], "p10": hours}})
        for supply, hours in (("pack", 5.0), ("mains", 14.0))
    ]
    for begin in range(0, SITES, 500):
        sites = range(begin, min(SITES, begin + 500))
        ledger.publish(
            [
                StoredForecast(
                    site_id(n), NOW_MS, texts[n % ON_PACK != 0].decode().replace(like, site_id(n)), past=False
                )
                for n in sites
            ]
        )
        past = [
            change(site_id(n), AlarmKind.LOW_RESERVE, NOW_MS - k * DAY_MS - n, AlarmState.NORMAL)
            for n in sites
            for k in range(1, PAST + 1)
        ]
        stand = [
            change(site_id(n), AlarmKind.MAINS_LOST, NOW_MS - n, AlarmState.UNACKNOWLEDGED)
            for n in sites
            if n % ON_PACK == 0
        ]
        ledger.commit_transitions(past + stand, [], [])
    first = site_id(0)
    ledger.publish(
        [
            StoredForecast(first, NOW_MS - k * HOUR_MS, texts[0].decode().replace(like, first), past=True)
            for k in range(1, 2_000)
        ]
    )
    ledger.record([Outage(first, NOW_MS - k * DAY_MS, NOW_MS - k * DAY_MS + HOUR_MS, False) for k in range(1, 700)])
    ledger.record([replace(run, site=first) for run in runs(count=20_000, every_ms=450_000, until_ms=NOW_MS)])


@contextmanager
def serving(folder: Path) -> Iterator[httpx.Client]:
    """A process that serves the installation, and a connection to it."""
    port = free_port()
    words = [sys.executable, "-c", CALL, "serve", "--config", str(folder)]
    with (folder / "serve.log").open("ab") as log:
        environment = {**os.environ, "OUTLAST_HTTP__PORT": str(port), "OUTLAST_HTTP__SITE_METRICS": "false"}
        process = subprocess.Popen(words, cwd=ROOT, stdout=log, stderr=log, env=environment)
    try:
        wait_until(lambda: answers(port), "the API", 900)
        with httpx.Client(base_url=f"http://127.0.0.1:{port}", timeout=300) as client:
            yield client
    finally:
        process.terminate()
        process.wait(60)


def run() -> list[Figure]:
    """All figures of the lists."""
    with TemporaryDirectory() as name:
        folder = Path(name)
        write_fleet(folder, SITES, "mqtt://127.0.0.1:1", "sqlite:///outlast.db")
        with closing(open_ledger(load_installation(folder).ledger_url, owner=True)) as ledger:
            fill(ledger)
        found = []
        with serving(folder) as client:
            for one in LISTS:
                address = f"/api/v1/{one.format(site=site_id(0))}"
                first_ms = waited(client, address)
                middle_ms = statistics.median(waited(client, address) for _ in range(TIMES))
                said = f"first page of {one.partition('?')[0] if 'kind' not in one else 'alarms of a kind'}"
                found.append(Figure(said, middle_ms, "ms", f"<= {AIM_MS:g}", f"{first_ms:.0f} ms the first time"))
            scraped = client.get("/metrics")
            found.append(Figure("/metrics", len(scraped.content) / 1000.0, "kB", "<= 100"))
            took = statistics.median(waited(client, "/metrics") for _ in range(7))
            found.append(Figure("/metrics, time of an answer", took, "ms"))
    return found
