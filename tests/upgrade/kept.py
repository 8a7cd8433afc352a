"""The kept installation unpacked, its servers filled, and this build over it with a clock that a test moves."""

from __future__ import annotations

import json
import subprocess
import tarfile
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

import httpx

from api.process.parts import Part
from api.process.process import Process
from collector.config.settings import load_installation
from forecaster.domain.alarms import AlarmTransition
from tests.api.deliver.test_courier_mail import Mailbox, serving
from tests.engines import Influx, Postgres, free_port, postgres_tools, running_influx, running_postgres, wait_until
from tests.faults.house import Cellar
from tests.servers import Mosquitto, running_mosquitto
from tests.upgrade.houses import SITES, House, in_turn, write_settings
from tests.upgrade.make import EXPECTED, LEDGER, READINGS

HERE = Path(__file__).parent
STEP_S = 60.0
PATIENCE_S = 900.0
PUSH = '[push]\nallow_hosts = ["127.0.0.1"]\n'
"""The kept browser subscribed at a service on this machine, where nobody listens."""


@dataclass
class MovedClock:
    """A clock that stands until it is moved; durations go with it."""

    at_ms: int
    begun_ms: int = field(init=False)

    def __post_init__(self) -> None:
        self.begun_ms = self.at_ms

    def now_ms(self) -> int:
        return self.at_ms

    def monotonic_s(self) -> float:
        return (self.at_ms - self.begun_ms) / 1000.0


@dataclass
class Kept:
    """An installation as the older build left it.

    said : what the older build said last, as `make` wrote it
    """

    folder: Path
    said: dict[str, Any]
    broker: Mosquitto
    box: Mailbox
    houses: list[House]

    @property
    def ended_ms(self) -> int:
        return int(self.said["ended_ms"])

    def site(self, site: str) -> dict[str, Any]:
        found: dict[str, Any] = self.said["sites"][site]
        return found


@dataclass
class Taken:
    """This build at work over it. cpu_s : processor time until every site had a forecast [s]."""

    kept: Kept
    clock: MovedClock
    process: Process
    cpu_s: float = 0.0

    def newest(self, site: str) -> dict[str, Any]:
        """The newest forecast document of a site."""
        found: dict[str, Any] = json.loads(self.process.services.ledger.newest([site])[site].document)
        return found

    def transitions(self) -> list[AlarmTransition]:
        """All that has happened to alarms since the older build ended, oldest first."""
        ledger = self.process.services.ledger
        found = [x for site in SITES for x in ledger.transitions(site, self.kept.ended_ms, self.clock.at_ms + 1)]
        return sorted(found, key=lambda x: x.at_ms)

    def live(self, minutes: int) -> None:
        """Let the houses live on: their messages first, then the clock, then a forecast of every site."""
        store = self.process.services.store
        for _ in range(minutes):
            messages = in_turn(self.kept.houses, (self.clock.at_ms + STEP_S * 1000 - self.kept.houses[0].now_ms) / 1000)
            want = store.count() + len(messages)
            self.clock.at_ms += round(STEP_S * 1000)
            self.kept.broker.publish(messages)
            wait_until(partial(self._holds, want), "the messages", PATIENCE_S)
            self.told_since(self.clock.at_ms - 5_000)

    def _holds(self, count: int) -> bool:
        return self.process.services.store.count() >= count

    def told_since(self, at_ms: int) -> None:
        """Wait for a forecast of every site from a moment on."""
        self.process.services.wake()
        ledger = self.process.services.ledger
        wait_until(
            lambda: all(ledger.issued().get(site, 0) >= at_ms for site in SITES), f"forecasts of {at_ms}", PATIENCE_S
        )


@contextmanager
def unpacked(kind: str, work: Path) -> Iterator[Kept]:
    """The kept installation in a folder, with broker, mail server and, where it has them, its servers filled."""
    with ExitStack() as stack:
        with tarfile.open(HERE / f"{kind}.tar.xz") as archive:
            archive.extractall(work, filter="data")
        folder = work / "house"
        said = json.loads((folder / EXPECTED).read_text())
        broker = stack.enter_context(running_mosquitto(work / "mosquitto"))
        box = Mailbox()
        mail = stack.enter_context(serving(box, work, "none"))
        stores = None
        if (folder / LEDGER).exists():
            (work / "influx").mkdir()
            influx, postgres = (
                stack.enter_context(running_influx(work / "influx")),
                stack.enter_context(running_postgres()),
            )
            fill(folder, influx, postgres)
            stores = (f"{influx.url}/outlast", postgres.url)
        write_settings(folder, broker.url, mail.port, free_port(), stores, PUSH)
        houses = [
            House(site, **{**state, "cellar": Cellar(**state["cellar"])}) for site, state in said["houses"].items()
        ]
        yield Kept(folder, said, broker, box, houses)


def fill(folder: Path, influx: Influx, postgres: Postgres) -> None:
    """Bring readings and ledger into empty servers, as the older build had them there."""
    url = f"http://127.0.0.1:{influx.port}"
    httpx.post(f"{url}/query", params={"q": "CREATE DATABASE outlast"}, timeout=60).raise_for_status()
    httpx.post(
        f"{url}/write", params={"db": "outlast"}, content=(folder / READINGS).read_bytes(), timeout=60
    ).raise_for_status()
    reach = ["-h", "127.0.0.1", "-p", str(postgres.port), "-U", "postgres", "-q", "-v", "ON_ERROR_STOP=1"]
    with (folder / LEDGER).open("rb") as dump:
        subprocess.run(
            [str(postgres_tools() / "psql"), *reach, "postgres"], stdin=dump, stdout=subprocess.DEVNULL, check=True
        )


@contextmanager
def taken_up(kept: Kept, after_s: float = 20.0) -> Iterator[Taken]:
    """This build started on it so long after the older one ended, until every site has a forecast."""
    clock = MovedClock(kept.ended_ms + round(after_s * 1000))
    process = Process(load_installation(kept.folder), frozenset({Part.COLLECT, Part.FORECAST}), clock)
    taken = Taken(kept, clock, process)
    began = time.process_time()
    try:
        process.start()
        taken.told_since(clock.at_ms)
        taken.cpu_s = time.process_time() - began
        yield taken
    finally:
        process.close()
