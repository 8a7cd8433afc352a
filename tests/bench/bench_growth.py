"""What a site costs among 10, 100, 1,000 and 10,000: processor, memory, disk; and what the API takes with so many.

Engines are a day old, restored from checkpoints as after a restart, one site in ten on the pack, every site heard six
times a minute and forecast as often as the forecaster does with so many. Costs are processor time, so that a busy
machine stretches them little; answers of the API are wall time over loopback, asked one after the other.
"""

from __future__ import annotations

import gc
import os
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from contextlib import closing
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory

import httpx
import psutil

from collector.clock import SystemClock
from collector.config.settings import Installation, load_installation
from collector.decode.payload import Decoder
from collector.store.open import open_ledger
from forecaster.domain.ports import Ledger
from forecaster.domain.readings import Reading
from forecaster.live.site_runner import HOLDOFF_MS, REFRESH_MS, SiteRunner
from tests.bench import Figure
from tests.bench.bench_ingest import pictures
from tests.bench.fleet import ON_PACK, message, site_id, write_fleet
from tests.bench.load import CALL, warm
from tests.engines import ROOT, answers, free_port, wait_until

SIZES = (10, 100, 1_000, 10_000)
EVERY_S, MINUTE_S = 10, 60
TOLD = 200
"""Sites timed in each fleet, spread over all of it by blocks in which one in ten is on the pack, as of all."""

NEXT = 4
"""Minutes that are heard and told after the first."""

ASKED, ASKED_OF_ALL = 300, 12
"""Requests timed of one site, and of all sites."""


@dataclass(frozen=True)
class Cost:
    """Of one site among so many.

    fold_ms : float — processor time of folding a minute's readings [ms]
    forecast_ms : float — processor time of one forecast made whole, told to the alarm ports and published [ms]
    next_ms : float — mean of the next ones, of which some carry the last on [ms]
    rounds : float — forecasts a minute
    resident_kb, kept_kb : float — memory; state on disk [kB]
    restore_ms : float — processor time of taking the site up from its checkpoint [ms]
    """

    sites: int
    fold_ms: float
    forecast_ms: float
    next_ms: float
    rounds: float
    resident_kb: float
    kept_kb: float
    restore_ms: float


def processor_ms(work: Callable[[], None]) -> float:
    """Processor time of one call [ms]."""
    began = time.process_time()
    work()
    return (time.process_time() - began) * 1e3


def resident_kb() -> float:
    """Memory of this process [kB]."""
    gc.collect()
    return float(psutil.Process().memory_info().rss) / 1e3


def cost(installation: Installation, ledger: Ledger, now_ms: int) -> Cost:
    """Restore every site, let each hear a minute, forecast some, and publish what was forecast for all."""
    sites, count = installation.sites, len(installation.sites)
    before_kb, runners = resident_kb(), dict[str, SiteRunner]()

    def restore() -> None:
        for site in sites.values():
            runners[site.id] = SiteRunner.restored(site, ledger, 0)[0]

    restore_ms = processor_ms(restore)
    gc.collect()
    gc.freeze()  # as the forecaster does with its engines
    decoder = Decoder(sites.values())
    steps = MINUTE_S // EVERY_S

    def minute(number: int) -> list[Reading]:
        begun = number * steps
        return [
            reading
            for step in range(begun, begun + steps)
            for site in range(count)
            for reading in decoder.decode(*message(site, step, now_ms + step * EVERY_S * 1000), now_ms).readings
        ]

    def fold(heard: Sequence[Reading]) -> None:
        for reading in heard:
            runners[reading.site].take(reading)

    asked = [runners[site_id(number)] for number in range(count) if number // ON_PACK % max(1, count // TOLD) == 0]

    def tell(number: int) -> None:
        ledger.publish([runner.tell(now_ms + number * MINUTE_S * 1000, 0.0).stored for runner in asked])

    heard = minute(0)
    fold_ms = processor_ms(partial(fold, heard))
    tell_ms = processor_ms(partial(tell, 1)) / len(asked)
    next_ms = 0.0
    for number in range(1, 1 + NEXT):
        fold(minute(number))
        next_ms += processor_ms(partial(tell, number + 1)) / len(asked) / NEXT
    rounds = MINUTE_S * 1000 / (REFRESH_MS + min(REFRESH_MS, HOLDOFF_MS * count) / 2)
    kept = sum(len(runners[site_id(n)].engine_checkpoint(None, 0).state) for n in range(min(10, count))) / min(
        10, count
    )
    resident = (resident_kb() - before_kb) / count
    return Cost(count, fold_ms / count, tell_ms, next_ms, rounds, resident, kept / 1e3, restore_ms / count)


def costs(folder: Path, count: int) -> Cost:
    """The cost of a site among so many, of an installation made for it; every site has a forecast afterwards."""
    write_fleet(folder, count, "mqtt://127.0.0.1:1", "sqlite:///outlast.db")
    installation, now_ms = load_installation(folder), SystemClock().now_ms()
    with closing(open_ledger(installation.ledger_url)) as ledger:
        warm(installation, ledger, now_ms, EVERY_S / 3)
        found = cost(installation, ledger, now_ms)
        give_all_a_forecast(ledger, count)
    gc.unfreeze()
    return found


def give_all_a_forecast(ledger: Ledger, count: int) -> None:
    """Publish the forecasts that were made under the names of all other sites."""
    made = list(ledger.newest().values())
    for begin in range(0, count, 500):
        batch = []
        for number in range(begin, min(count, begin + 500)):
            like = made[number % len(made)]
            name = site_id(number)
            batch.append(type(like)(name, like.issued_ms, like.document.replace(like.site, name), past=False))
        ledger.publish(batch)


def asked(folder: Path, sites: int) -> list[Figure]:
    """How long `outlast serve` takes to start and to answer."""
    port = free_port()
    words = [sys.executable, "-c", CALL, "serve", "--config", str(folder)]
    environment = {**os.environ, "OUTLAST_HTTP__PORT": str(port)}
    began_s = time.monotonic()
    with (folder / "serve.log").open("ab") as log:
        process = subprocess.Popen(words, cwd=ROOT, stdout=log, stderr=log, env=environment)
    try:
        wait_until(lambda: answers(port), "the API", 120)
        with httpx.Client(base_url=f"http://127.0.0.1:{port}", timeout=120) as client:
            figures = [Figure(f"{sites} sites: from the start to the first answer", time.monotonic() - began_s, "s")]
            for name, address, times in (
                ("/api/v1/sites/{site}/forecast", "/api/v1/sites/{}/forecast", ASKED),
                ("/sites/{site}, a page", "/sites/{}", ASKED // 6),
                ("/api/v1/sites, all of them", "/api/v1/sites", ASKED_OF_ALL),
                ("/, the page of all", "/", ASKED_OF_ALL),
                ("/healthz", "/healthz", ASKED_OF_ALL),
                ("/metrics", "/metrics", ASKED_OF_ALL),
            ):
                client.get(address.format(site_id(0))).raise_for_status()
                waits = sorted(waited(client, address.format(site_id(number * 37 % sites))) for number in range(times))
                figures += [
                    Figure(f"{sites} sites: {name}, median", waits[len(waits) // 2], "ms"),
                    Figure(f"{sites} sites: {name}, 99 %", waits[min(len(waits) - 1, len(waits) * 99 // 100)], "ms"),
                ]
            return figures
    finally:
        process.terminate()
        process.wait(60)


def waited(client: httpx.Client, address: str) -> float:
    """Time of one answer [ms]."""
    began = time.perf_counter()
    client.get(address).raise_for_status()
    return (time.perf_counter() - began) * 1e3


def run() -> list[Figure]:
    """Everything of this topic."""
    figures: list[Figure] = []
    with TemporaryDirectory() as name:
        found = [costs(Path(name) / str(count), count) for count in SIZES]
        for count in SIZES:
            figures += asked(Path(name) / str(count), count)
    few = found[1]
    for one in found:
        among = f"a site among {one.sites:,}"
        figures += [
            Figure(f"{among}: folding", one.fold_ms, "ms/minute", "", "six readings a minute"),
            Figure(f"{among}: one forecast", one.forecast_ms, "ms"),
            Figure(f"{among}: the next ones", one.next_ms, "ms"),
            Figure(f"{among}: all of it", one.fold_ms + one.rounds * one.next_ms, "ms/minute"),
            Figure(f"{among}: memory", one.resident_kb, "kB"),
            Figure(f"{among}: its state on disk", one.kept_kb, "kB"),
            Figure(f"{among}: taken up at a start", one.restore_ms, "ms"),
        ]
    most = found[-1]
    flat = (most.fold_ms + most.next_ms) / (few.fold_ms + few.next_ms)
    figures.append(Figure("a site's processor time among 10,000", flat, "ratio", "<= 1.5", "among 100"))
    return figures + pictures()
