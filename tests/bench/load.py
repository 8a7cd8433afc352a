"""A load test of whole processes: `python -m tests.bench.load --sites 10000 --rate 3000 --seconds 600 --store sqlite`.

A real mosquitto with the shipped office settings, `outlast collect` and the shares of `outlast forecast` as processes
of their own, a publisher that keeps a fixed rate. The engines start from a day that they have seen already, as those
of a running installation. Told at the end: messages in and rows out, the age of every site's forecast all along,
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
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import psutil

from collector.clock import SystemClock
from collector.config.settings import Installation, load_installation
from collector.decode.payload import Decoder
from collector.store.open import open_ledger, open_readings
from forecaster.domain.ports import Ledger
from forecaster.domain.records import Checkpoint
from forecaster.domain.site import Site
from forecaster.engine import Engine
from forecaster.engine.packing import packed
from tests.bench.fleet import ON_PACK, Load, Published, message, publish_apart, site_id, write_fleet
from tests.brokers import ShippedBroker
from tests.engines import ROOT, running_influx, wait_until

PASSWORDS = {"outlast": "hear", "load": "speak"}
CALL = "import sys; from api.cli import main; sys.exit(main())"
WARM_S = 86_400
LOOK_S = 5.0


@dataclass
class Part:
    """One process of the installation, and what it took."""

    name: str
    process: subprocess.Popen[bytes]
    cpu_s: float = 0.0
    seen_s: float = 0.0
    peak_mb: float = 0.0
    before: tuple[float, float] | None = None

    def sample(self) -> None:
        """Read processor time since the first sample, and memory."""
        if self.process.poll() is None:
            seen = psutil.Process(self.process.pid)
            times = seen.cpu_times()
            now = (times.user + times.system, time.monotonic())
            self.before = self.before or now
            self.cpu_s, self.seen_s = now[0] - self.before[0], now[1] - self.before[1]
            self.peak_mb = max(self.peak_mb, seen.memory_info().rss / 1e6)


@dataclass(frozen=True)
class Wanted:
    """What is asked for: sites, messages a second, seconds, store, forecasters, one site in how many on the pack."""

    sites: int
    rate: float
    seconds: float
    store: str
    shares: int
    on_pack: int


@dataclass(frozen=True)
class Outcome:
    """What a load test found.

    started_s : float — from the start of the processes until every site had a forecast [s]
    ages_s : (looks, sites) — age of each site's newest forecast, every few seconds during the load [s]
    load : float — the machine's load average over the last minute
    """

    published: Published
    rows: int
    started_s: float
    ages_s: np.ndarray
    parts: list[Part]
    disk_bytes: dict[str, int]
    caught_up_s: float
    load: float


def start(folder: Path, name: str, *more: str) -> Part:
    """`outlast NAME` on the installation, its words in a log beside it."""
    words = [sys.executable, "-c", CALL, name, "--config", str(folder), *more]
    called = "-".join((name, *more)).replace("/", "-")
    with (folder / f"{called}.log").open("ab") as log:
        return Part(" ".join((name, *more)), subprocess.Popen(words, cwd=ROOT, stdout=log, stderr=log))


def warm(installation: Installation, ledger: Ledger, now_ms: int, every_s: float, on_pack: int = ON_PACK) -> None:
    """Give every site the engine of a cellar that was listened to for a day, as its checkpoint.

    every_s : float — between two messages of a site [s]
    """
    sites = list(installation.sites.values())
    states = [engine_after_a_day(sites[number], number, now_ms, every_s, on_pack).snapshot() for number in (0, 1)]
    for begin in range(0, len(sites), 500):
        points = []
        for number, site in enumerate(sites[begin : begin + 500], start=begin):
            like = 0 if number % on_pack == 0 else 1
            state = states[like].replace(sites[like].id.encode(), site.id.encode())
            points.append(Checkpoint(site.id, None, now_ms, packed(state)))
        ledger.save_checkpoints("engine", points)


def engine_after_a_day(site: Site, number: int, now_ms: int, every_s: float, on_pack: int = ON_PACK) -> Engine:
    """The engine of the numbered site, having heard its messages of the last day."""
    engine, decoder = Engine(site), Decoder([site])
    steps = round(WARM_S / every_s)
    for step in range(-steps, 0):
        at_ms = now_ms + round(step * every_s * 1000)
        for reading in decoder.decode(*message(number, step, at_ms, on_pack), at_ms).readings:
            engine.update(reading)
        engine.events()
    return engine


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


def load(folder: Path, wanted: Wanted) -> Outcome:
    """Run the load; everything it starts has ended on return."""
    broker = ShippedBroker(folder / "broker", "office", PASSWORDS)
    broker.prepare()
    acl = broker.folder / "office.acl"
    acl.write_text(acl.read_text() + "\nuser load\ntopic readwrite fleet/#\n")
    broker.start()
    house = folder / "installation"
    parts: list[Part] = []
    try:
        with store_url(wanted.store, folder) as url:
            at = f"mqtt://127.0.0.1:{broker.port}"
            write_fleet(house, wanted.sites, at, url, username="outlast", password="hear")
            installation, clock = load_installation(house), SystemClock()
            with closing(open_ledger(installation.ledger_url)) as ledger:
                warm(installation, ledger, clock.now_ms(), wanted.sites / wanted.rate, wanted.on_pack)
            assert broker.server is not None
            shares = [f"{number}/{wanted.shares}" for number in range(1, wanted.shares + 1)]
            parts = [start(house, "collect"), *(start(house, "forecast", "--share", share) for share in shares)]
            return _measured(folder, installation, [*parts, Part("mosquitto", broker.server)], broker.port, wanted)
    finally:
        for part in parts:
            part.process.send_signal(signal.SIGTERM)
        for part in parts:
            part.process.wait(60)
        broker.stop()


def _measured(folder: Path, installation: Installation, parts: list[Part], port: int, wanted: Wanted) -> Outcome:
    clock, names = SystemClock(), [site_id(number) for number in range(wanted.sites)]
    began = time.monotonic()
    with closing(open_ledger(installation.ledger_url, owner=False)) as ledger:
        wait_until(lambda: ledger.noted("filters:load") is not None, "the collector's subscription", 300)
        wait_until(lambda: len(ledger.issued()) == wanted.sites, "a forecast of every site", 900)
        started_s = time.monotonic() - began
        ages: list[list[float]] = []
        running = publish_apart(Load(port, wanted.sites, wanted.rate, wanted.seconds, "load", "speak", wanted.on_pack))
        while not running.ready():
            running.wait(LOOK_S)
            for part in parts:
                part.sample()
            issued, now_ms = ledger.issued(), clock.now_ms()
            ages.append([(now_ms - issued[name]) / 1000.0 for name in names])
        published, load_average = running.get(), os.getloadavg()[0]
        ended = time.monotonic()
        with closing(open_readings(installation, ledger, clock, role="load-look", owner=False)) as store:
            while (rows := store.count()) < published.messages and time.monotonic() < ended + 300:
                time.sleep(1.0)
    caught_up_s = time.monotonic() - ended
    disk = {name: disk_bytes(folder / name) for name in ("installation", "influx") if (folder / name).exists()}
    return Outcome(published, rows, started_s, np.array(ages), parts, disk, caught_up_s, load_average)


def told(outcome: Outcome, wanted: Wanted) -> str:
    """The outcome as a few lines."""
    p, ages, last = outcome.published, outcome.ages_s, outcome.ages_s[-1]
    lines = [
        f"{wanted.sites} sites, one in {wanted.on_pack} on the pack, {wanted.store}, {wanted.shares} forecasters:"
        f" {p.messages} messages in {p.seconds:.0f} s ({p.messages / p.seconds:.0f}/s)",
        f"  {os.cpu_count()} cores, load average {outcome.load:.1f}",
        f"  every site's first forecast {outcome.started_s:.0f} s after the start",
        f"  rows {outcome.rows}, lost {p.messages - outcome.rows},"
        f" all stored {outcome.caught_up_s:.0f} s after the last",
        f"  age of the forecasts at the end: median {np.median(last):.0f} s, 99 % {np.quantile(last, 0.99):.0f} s,"
        f" oldest {last.max():.0f} s; oldest at any time {ages.max():.0f} s, younger than 60 s"
        f" {np.mean(ages < 60):.2%}",
        "  disk: "
        + ", ".join(f"{name} {size / p.messages:.0f} bytes a message" for name, size in outcome.disk_bytes.items()),
    ]
    lines += [f"  {x.name}: {x.cpu_s / x.seen_s:.0%} of a core, {x.peak_mb:.0f} MB at most" for x in outcome.parts]
    return "\n".join(lines)


def main() -> int:
    """Exit 1 when a message was lost."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.load", description=__doc__)
    parser.add_argument("--sites", type=int, default=1000)
    parser.add_argument("--rate", type=float, default=300.0, help="messages a second")
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--store", choices=("sqlite", "influx"), default="sqlite")
    parser.add_argument("--shares", type=int, default=1, help="processes that forecast")
    parser.add_argument("--on-pack", type=int, default=ON_PACK, help="one site in so many has lost its mains")
    wanted = Wanted(**vars(parser.parse_args()))
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    with TemporaryDirectory(prefix="outlast-load-") as folder:
        outcome = load(Path(folder), wanted)
    sys.stdout.write(told(outcome, wanted) + "\n")
    return 1 if outcome.rows < outcome.published.messages else 0


if __name__ == "__main__":
    sys.exit(main())
