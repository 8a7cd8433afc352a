"""A load test of whole processes: `python -m tests.bench.load --sites 10000 --rate 3000 --seconds 600 --store sqlite`.

A real mosquitto with the shipped office settings, `outlast collect` and `outlast forecast` as processes of their own,
a publisher that keeps a fixed rate. Told at the end: messages in and rows out, the age of every site's forecast,
processor time, memory, and disk bytes a message.
"""

from __future__ import annotations

import argparse
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import psutil

from collector.clock import SystemClock
from collector.settings import load_installation
from collector.store.open import open_ledger, open_readings
from tests.bench.fleet import Published, publish_apart, site_id, write_fleet
from tests.brokers import ShippedBroker
from tests.engines import ROOT, running_influx, wait_until

PASSWORDS = {"outlast": "hear", "load": "speak"}


@dataclass
class Part:
    """One process of the installation, and what it took."""

    name: str
    process: subprocess.Popen[bytes]
    cpu_s: float = 0.0
    peak_mb: float = 0.0

    def sample(self) -> None:
        """Read processor time and memory."""
        if self.process.poll() is None:
            seen = psutil.Process(self.process.pid)
            times = seen.cpu_times()
            self.cpu_s = times.user + times.system
            self.peak_mb = max(self.peak_mb, seen.memory_info().rss / 1e6)


@dataclass(frozen=True)
class Outcome:
    """What a load test found. ages_s: (sites,) age of each site's newest forecast at the end of the load [s]."""

    published: Published
    rows: int
    ages_s: np.ndarray
    parts: list[Part]
    disk_bytes: int
    caught_up_s: float


def start(name: str, folder: Path) -> Part:
    """`outlast NAME` on the installation, its words in NAME.log."""
    words = [
        sys.executable,
        "-c",
        "import sys; from api.cli import main; sys.exit(main())",
        name,
        "--config",
        str(folder),
    ]
    with (folder / f"{name}.log").open("ab") as log:
        return Part(name, subprocess.Popen(words, cwd=ROOT, stdout=log, stderr=log))


@contextmanager
def store_url(kind: str, folder: Path) -> Iterator[str]:
    """The URL of a store of a kind, its server running."""
    if kind == "sqlite":
        yield "sqlite:///outlast.db"
        return
    (folder / "influx").mkdir()
    with running_influx(folder / "influx") as influx:
        yield f"{influx.url}/outlast"


def disk_bytes(folder: Path) -> int:
    """Bytes under a folder, site files left out."""
    return sum(p.stat().st_size for p in folder.rglob("*") if p.is_file() and p.suffix not in (".toml", ".log"))


def load(folder: Path, kind: str, sites: int, rate: float, seconds: float) -> Outcome:
    """Run the load; everything it starts has ended on return."""
    broker = ShippedBroker(folder / "broker", "office", PASSWORDS)
    broker.prepare()
    acl = broker.folder / "office.acl"
    acl.write_text(acl.read_text() + "\nuser load\ntopic readwrite fleet/#\n")
    broker.start()
    house = folder / "installation"
    parts: list[Part] = []
    try:
        with store_url(kind, folder) as url:
            write_fleet(house, sites, f"mqtt://127.0.0.1:{broker.port}", url, username="outlast", password="hear")
            parts = [start("collect", house), start("forecast", house)]
            return _measured(folder, house, parts, broker.port, sites, rate, seconds)
    finally:
        for part in parts:
            part.process.send_signal(signal.SIGTERM)
        for part in parts:
            part.process.wait(60)
        broker.stop()


def _measured(
    folder: Path, house: Path, parts: list[Part], port: int, sites: int, rate: float, seconds: float
) -> Outcome:
    installation = load_installation(house)
    clock = SystemClock()
    ledger = open_ledger(installation.ledger_url, owner=False)
    wait_until(lambda: ledger.noted("filters:load") is not None, "the collector's subscription", 300)
    running = publish_apart(port, sites, rate, seconds, "load", "speak")
    while not running.ready():
        time.sleep(1.0)
        for part in parts:
            part.sample()
    published = running.get()
    ended = time.monotonic()
    store = open_readings(installation, ledger, clock, role="load-look", owner=False)
    try:
        newest = ledger.newest()
        now_ms = clock.now_ms()
        ages = [(now_ms - newest[s].issued_ms) / 1000 if s in newest else np.inf for s in map(site_id, range(sites))]
        deadline = ended + 300
        while (rows := store.count()) < published.messages and time.monotonic() < deadline:
            time.sleep(1.0)
        caught_up_s = time.monotonic() - ended
        for part in parts:
            part.sample()
        return Outcome(published, rows, np.array(ages), parts, disk_bytes(folder), caught_up_s)
    finally:
        store.close()
        ledger.close()


def told(outcome: Outcome, kind: str, sites: int) -> str:
    """The outcome as a few lines."""
    p = outcome.published
    ages = outcome.ages_s
    lines = [
        f"{sites} sites, {kind}: {p.messages} messages in {p.seconds:.0f} s ({p.messages / p.seconds:.0f}/s)",
        f"  rows {outcome.rows}, lost {p.messages - outcome.rows},"
        f" all stored {outcome.caught_up_s:.0f} s after the last",
        f"  age of the forecasts: median {np.median(ages):.0f} s, 99 % {np.quantile(ages, 0.99):.0f} s,"
        f" oldest {ages.max():.0f} s, younger than 60 s {np.mean(ages < 60):.1%}",
        f"  disk {outcome.disk_bytes / p.messages:.0f} bytes a message",
    ]
    lines += [f"  {x.name}: {x.cpu_s / p.seconds:.0%} of a core, {x.peak_mb:.0f} MB at most" for x in outcome.parts]
    return "\n".join(lines)


def main() -> int:
    """Exit 1 when a message was lost."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.load", description=__doc__)
    parser.add_argument("--sites", type=int, default=1000)
    parser.add_argument("--rate", type=float, default=3000.0, help="messages a second")
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--store", choices=("sqlite", "influx"), default="sqlite")
    wanted = parser.parse_args()
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    with TemporaryDirectory(prefix="outlast-load-") as folder:
        outcome = load(Path(folder), wanted.store, wanted.sites, wanted.rate, wanted.seconds)
    sys.stdout.write(told(outcome, wanted.store, wanted.sites) + "\n")
    return 1 if outcome.rows < outcome.published.messages else 0


if __name__ == "__main__":
    sys.exit(main())
