"""A load test of whole processes: `python -m tests.bench.load --sites 10000 --rate 3000 --seconds 600 --join`.

A real mosquitto with the shipped office settings, `outlast collect` and `outlast forecast` as processes of their own,
a publisher that keeps a fixed rate. With --join two or more of each divide the sites among themselves, over InfluxDB
and PostgreSQL. The engines start from a day that they have seen already, and the site files have been carried, as in a
running installation; messages begin once the rush of the start is over. Told at the end: messages in and rows out, the
age of every site's forecast all along, what load added to the interval on mains, processor time, memory, and disk bytes
a message.
"""

from __future__ import annotations

import argparse
import os
import signal
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

from collector.clock import SystemClock
from collector.config.settings import Installation, load_installation
from collector.decode.payload import Decoder
from collector.editing.carrying import STATE, SiteCarrier
from collector.rendezvous import SHARES
from collector.store import ledger_schema as tables
from collector.store.ledger import SqlLedger
from collector.store.open import open_ledger, open_readings
from forecaster.domain.ports import Clock, Ledger
from forecaster.domain.records import Checkpoint
from forecaster.domain.site import Site
from forecaster.engine import Engine
from forecaster.engine.packing import packed
from forecaster.health.told import KINDS
from tests.bench.fleet import ON_PACK, Load, Published, message, publish_apart, site_id, write_fleet
from tests.bench.parts import CALL, Part, start
from tests.brokers import ShippedBroker
from tests.engines import running_influx, running_postgres, wait_until

__all__ = ["CALL", "load", "warm"]

PASSWORDS = {"outlast": "hear", "load": "speak"}
WARM_S = 86_400
LOOK_S = 5.0
YOUNG_S = 60.0
"""No look is to find an older forecast [s]."""

STANDING_S = 900.0
"""How long a busy machine may take until all members stand, and until every site has a forecast [s]."""


@dataclass(frozen=True)
class Wanted:
    """What is asked for: sites, messages a second, seconds, store, forecasters, one site in how many on the pack.

    join : bool — as many collectors as forecasters, which join over PostgreSQL
    """

    sites: int
    rate: float
    seconds: float
    store: str
    shares: int
    on_pack: int
    join: bool

    @property
    def named(self) -> str:
        """What it is, in a few words."""
        workers = f"{self.shares} collectors and {self.shares} forecasters that join, PostgreSQL"
        return f"{self.store}, {workers if self.join else f'{self.shares} forecasters'}"


@dataclass(frozen=True)
class Servers:
    """What an installation runs on: its broker, the URLs of its stores, and the processes of them all."""

    broker: ShippedBroker
    readings: str
    ledger: str | None
    parts: tuple[Part, ...]


@dataclass(frozen=True)
class Outcome:
    """What a load test found.

    started_s, settled_s : float — from the start of the processes until every site had a forecast, and until all of
        them were younger than a minute [s]
    ages_s : (looks, sites) — age of each site's newest forecast, every few seconds during the load [s]
    looked_s : (looks,) — when each look was, from the first message [s]
    load : float — the machine's load average over the last minute
    """

    published: Published
    rows: int
    started_s: float
    settled_s: float
    ages_s: np.ndarray
    looked_s: np.ndarray
    parts: list[Part]
    disk_bytes: dict[str, int]
    caught_up_s: float
    load: float


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


def study(installation: Installation, ledger: Ledger, now_ms: int) -> None:
    """Note that the studies of the day are done, without a result: a load is no hour after midnight everywhere."""
    rows = [
        {"site": site, "kind": kind, "as_of_ms": now_ms, "made_ms": now_ms, "document": "{}", "problem": None}
        for site in installation.sites
        for kind in KINDS
    ]
    assert isinstance(ledger, SqlLedger)
    with ledger.engine.begin() as connection:
        ledger.put_rows(connection, tables.studies, rows)


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
def servers(folder: Path, wanted: Wanted) -> Iterator[Servers]:
    """Broker and stores, which run until the block ends."""
    broker = ShippedBroker(folder / "broker", "office", PASSWORDS)
    broker.prepare()
    acl = broker.folder / "office.acl"
    acl.write_text(acl.read_text() + "\nuser load\ntopic readwrite fleet/#\n")
    with ExitStack() as stack:
        stack.callback(broker.stop)
        broker.start()
        assert broker.server is not None
        parts, readings, ledger = [Part("mosquitto", broker.server)], "sqlite:///outlast.db", None
        if wanted.store == "influx" or wanted.join:
            (folder / "influx").mkdir()
            influx = stack.enter_context(running_influx(folder / "influx"))
            assert influx.server is not None
            assert influx.proxy is not None
            parts += [Part("influxd", influx.server), Part("nginx", influx.proxy)]
            readings = f"{influx.url}/outlast"
        if wanted.join:
            postgres = stack.enter_context(running_postgres())
            assert postgres.server is not None
            parts.append(Part("postgres", postgres.server))
            ledger = postgres.url
        yield Servers(broker, readings, ledger, tuple(parts))


def workers(house: Path, wanted: Wanted) -> list[Part]:
    """The processes that collect and forecast, started."""
    if not wanted.join:
        shares = [f"{number}/{wanted.shares}" for number in range(1, wanted.shares + 1)]
        forecasters = [
            start(house, f"forecast {share}", "forecast", "--share", share, metrics=True) for share in shares
        ]
        return [start(house, "collect", "collect"), *forecasters]
    return [
        start(house, f"{role} {number}", role, "--join", metrics=role == "forecast")
        for role in ("collect", "forecast")
        for number in range(1, wanted.shares + 1)
    ]


def disk_bytes(folder: Path) -> int:
    """Bytes under a folder, site files left out."""
    return sum(p.stat().st_size for p in folder.rglob("*") if p.is_file() and p.suffix not in (".toml", ".log"))


def load(folder: Path, wanted: Wanted) -> Outcome:
    """Run the load; everything it starts has ended on return."""
    house = folder / "installation"
    parts: list[Part] = []
    with servers(folder, wanted) as standing:
        at = f"mqtt://127.0.0.1:{standing.broker.port}"
        write_fleet(house, wanted.sites, at, standing.readings, username="outlast", password="hear")
        if standing.ledger is not None:
            with (house / "outlast.toml").open("a") as settings:
                settings.write(f'ledger = "{standing.ledger}"\n')
        installation, clock = load_installation(house), SystemClock()
        with closing(open_ledger(installation.ledger_url)) as ledger:
            warm(installation, ledger, clock.now_ms(), wanted.sites / wanted.rate, wanted.on_pack)
            study(installation, ledger, clock.now_ms())
            if wanted.join:
                SiteCarrier(house, ledger, clock, installation.own_file(STATE)).once()
        try:
            parts = workers(house, wanted)
            return _measured(folder, installation, [*parts, *standing.parts], standing.broker.port, wanted)
        finally:
            for part in parts:
                part.process.send_signal(signal.SIGTERM)
            for part in parts:
                part.process.wait(120)


def _stand(ledger: Ledger, parts: Sequence[Part], wanted: Wanted) -> None:
    """Wait until the broker keeps what comes for every site, each member has its part, and every site a forecast."""
    shares = [f"-{share}-{SHARES}" for share in range(1, SHARES + 1)] if wanted.join else [""]
    subscribed = {f"filters:load{share}" for share in shares}

    def standing() -> bool:
        time.sleep(1.0)  # looking is work too
        for part in parts:
            part.require_alive()
        divided = not wanted.join or _divided(ledger, wanted.shares)
        return divided and subscribed <= ledger.notes("filters").keys() and len(ledger.issued()) == wanted.sites

    wait_until(standing, "every member's part and a forecast of every site", STANDING_S)


def _settle(ledger: Ledger, clock: Clock) -> None:
    """Wait until every forecast is younger than a minute: the rush of a start, told by itself, is over."""

    def settled() -> bool:
        time.sleep(1.0)
        return clock.now_ms() - min(ledger.issued().values()) < YOUNG_S * 1000.0

    wait_until(settled, f"forecasts younger than {YOUNG_S:.0f} s of every site", STANDING_S)


def _divided(ledger: Ledger, each: int) -> bool:
    """Whether all shares of both roles are carried, by so many members each."""
    carrying = [member for member in ledger.members() if member.shares]
    whole = sum(len(member.shares) for member in carrying) == 2 * SHARES + 1
    return whole and len(carrying) == 2 * each


def _measured(folder: Path, installation: Installation, parts: list[Part], port: int, wanted: Wanted) -> Outcome:
    clock, names = SystemClock(), [site_id(number) for number in range(wanted.sites)]
    began = time.monotonic()
    with closing(open_ledger(installation.ledger_url, owner=False)) as ledger:
        _stand(ledger, parts, wanted)
        started_s = time.monotonic() - began
        _settle(ledger, clock)
        settled_s = time.monotonic() - began
        ages, looked_s, first = list[list[float]](), list[float](), time.monotonic()
        running = publish_apart(Load(port, wanted.sites, wanted.rate, wanted.seconds, "load", "speak", wanted.on_pack))
        while not running.ready():
            running.wait(LOOK_S)
            for part in parts:
                part.sample()
            issued, now_ms = ledger.issued(), clock.now_ms()
            ages.append([(now_ms - issued[name]) / 1000.0 for name in names])
            looked_s.append(time.monotonic() - first)
        published, load_average = running.get(), os.getloadavg()[0]
        ended = time.monotonic()
        with closing(open_readings(installation, ledger, clock, role="load-look", owner=False)) as store:
            while (rows := store.count()) < published.messages and time.monotonic() < ended + 300:
                time.sleep(1.0)
    caught_up_s = time.monotonic() - ended
    disk = {name: disk_bytes(folder / name) for name in ("installation", "influx") if (folder / name).exists()}
    seen = np.array(ages), np.array(looked_s)
    return Outcome(published, rows, started_s, settled_s, *seen, parts, disk, caught_up_s, load_average)


def aged(ages_s: np.ndarray) -> str:
    """Ages of forecasts as words: over all looks, and at the last."""
    last = ages_s[-1]
    return (
        f"median {np.median(ages_s):.0f} s, 99 % {np.quantile(ages_s, 0.99):.0f} s, oldest {ages_s.max():.0f} s;"
        f" younger than {YOUNG_S:.0f} s at {np.mean(ages_s < YOUNG_S):.2%} of {ages_s.size} looks; at the end median"
        f" {np.median(last):.0f} s, 99 % {np.quantile(last, 0.99):.0f} s, oldest {last.max():.0f} s"
    )


def by_minute(ages_s: np.ndarray, looked_s: np.ndarray) -> str:
    """The share of looks that found a forecast younger than 60 s, in each minute of the load [%]."""
    minutes = looked_s // 60
    return " ".join(f"{100 * np.mean(ages_s[minutes == minute] < YOUNG_S):.1f}" for minute in np.unique(minutes))


def told(outcome: Outcome, wanted: Wanted) -> str:
    """The outcome as a few lines."""
    p, ages = outcome.published, outcome.ages_s
    lines = [
        f"{wanted.sites} sites, one in {wanted.on_pack} on the pack, {wanted.named}:"
        f" {p.messages} messages in {p.seconds:.0f} s ({p.messages / p.seconds:.0f}/s)",
        f"  {os.cpu_count()} cores, load average {outcome.load:.1f}",
        f"  every site's first forecast {outcome.started_s:.0f} s after the start,"
        f" all younger than {YOUNG_S:.0f} s after {outcome.settled_s:.0f} s",
        f"  rows {outcome.rows}, lost {p.messages - outcome.rows},"
        f" all stored {outcome.caught_up_s:.0f} s after the last",
        f"  age of the forecasts, all sites: {aged(ages)}",
        f"  younger than {YOUNG_S:.0f} s in each minute, %: {by_minute(ages, outcome.looked_s)}",
        f"  on the pack: {aged(ages[:, :: wanted.on_pack])}",
        "  disk: "
        + ", ".join(f"{name} {size / p.messages:.0f} bytes a message" for name, size in outcome.disk_bytes.items()),
    ]
    return "\n".join([*lines, *(f"  {part.told()}" for part in outcome.parts)])


def main() -> int:
    """Exit 1 when a message was lost."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.load", description=__doc__)
    parser.add_argument("--sites", type=int, default=1000)
    parser.add_argument("--rate", type=float, default=300.0, help="messages a second")
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--store", choices=("sqlite", "influx"), default="sqlite", help="with --join it is influx")
    parser.add_argument("--shares", type=int, help="processes that forecast; with --join, and as many that collect")
    parser.add_argument("--on-pack", type=int, default=ON_PACK, help="one site in so many has lost its mains")
    parser.add_argument("--join", action="store_true", help="members that divide the sites, over PostgreSQL")
    asked = vars(parser.parse_args())
    asked["shares"] = asked["shares"] or (2 if asked["join"] else 1)
    asked["store"] = "influx" if asked["join"] else asked["store"]
    wanted = Wanted(**asked)
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    with TemporaryDirectory(prefix="outlast-load-") as folder:
        outcome = load(Path(folder), wanted)
    sys.stdout.write(told(outcome, wanted) + "\n")
    return 1 if outcome.rows < outcome.published.messages else 0


if __name__ == "__main__":
    sys.exit(main())
