"""`outlast forecast` killed under load, with counts: what was stored is folded once, whatever the moment."""

from __future__ import annotations

import signal
import subprocess
import sys
from collections.abc import Iterable
from contextlib import closing
from functools import partial
from pathlib import Path

import pytest

from collector.clock import SystemClock
from collector.config.settings import load_installation
from collector.decode.payload import Decoder
from collector.store.open import open_ledger, open_readings
from forecaster.domain.ports import Ledger
from forecaster.domain.readings import Reading
from forecaster.domain.runs import Run
from forecaster.engine import Engine
from tests.bench.fleet import message, site_id, write_fleet
from tests.engines import ROOT, wait_until

SITES, HOURS, EVERY_S = 4, 2.0, 4
CALL = "import sys; from api.cli import main; sys.exit(main())"
PATIENCE_S = 300.0


def forecaster(folder: Path) -> subprocess.Popen[bytes]:
    words = [sys.executable, "-c", CALL, "forecast", "--config", str(folder)]
    with (folder / "forecast.log").open("ab") as log:
        return subprocess.Popen(words, cwd=ROOT, stdout=log, stderr=log)


def runs_of(ledger: Ledger, site: str) -> list[Run]:
    return sorted(ledger.runs(site, 0, 2**53, 10_000).runs, key=lambda run: run.start_ms)


def runs_in(ledger: Ledger, sites: Iterable[str]) -> int:
    return sum(len(runs_of(ledger, site)) for site in sites)


def more_runs(ledger: Ledger, sites: Iterable[str], before: int) -> bool:
    return runs_in(ledger, sites) > before


@pytest.mark.slow
@pytest.mark.timeout(1500)
def test_killed_again_and_again_it_finds_every_run_once(tmp_path: Path) -> None:
    """In: two hours of 4 sites in four parts; one orderly end, two kills. Out: the runs of one unbroken fold."""
    write_fleet(tmp_path, SITES, "mqtt://127.0.0.1:1", "sqlite:///outlast.db")
    installation, clock = load_installation(tmp_path), SystemClock()
    decoder, steps = Decoder(installation.sites.values()), round(HOURS * 3600 / EVERY_S)
    begun_ms = clock.now_ms() - round(HOURS * 3_600_000)
    readings: list[Reading] = []
    for step in range(steps):
        at_ms = begun_ms + step * EVERY_S * 1000
        for number in range(SITES):
            readings += decoder.decode(*message(number, step, at_ms), at_ms).readings
    with (
        closing(open_ledger(installation.ledger_url)) as ledger,
        closing(open_readings(installation, ledger, clock, role="feed", owner=True)) as store,
    ):
        quarter = len(readings) // 4
        for part, how in enumerate((signal.SIGTERM, signal.SIGKILL, signal.SIGKILL, signal.SIGTERM)):
            process = forecaster(tmp_path)
            try:
                found = runs_in(ledger, installation.sites)
                store.append(readings[part * quarter : (part + 1) * quarter if part < 3 else None])
                wait_until(partial(more_runs, ledger, installation.sites, found), "runs of the next part", PATIENCE_S)
                wait_until(lambda: len(ledger.issued()) == SITES, "forecasts", PATIENCE_S)
            finally:
                process.send_signal(how)
                process.wait(PATIENCE_S)
            if part == 0:
                assert ledger.checkpoint("engine", site_id(0)) is not None
        for number in range(SITES):
            site = installation.sites[site_id(number)]
            engine = Engine(site)
            for reading in readings:
                if reading.site == site.id:
                    engine.update(reading)
            unbroken = sorted((e for e in engine.events() if isinstance(e, Run)), key=lambda run: run.start_ms)
            assert len(unbroken) > 20
            assert runs_of(ledger, site.id) == unbroken
