"""A seeded installation for pages and pictures: the simulated site, folded by the real engine into real stores.

The scenario is Larkspur Lane: a storm, the mains lost, some hours on the pack. Nothing here is drawn by hand.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

from api.process.services import Services
from collector.config.settings import Broker, Http, Installation, Mail, Push, Retention, Store
from collector.decode.payload import Decoder
from collector.store.open import open_ledger, open_store
from forecaster.alarms import AlarmManager
from forecaster.domain.ports import Ledger, ReadingStore
from forecaster.domain.site import Site
from forecaster.domain.times import HOUR_MS
from forecaster.engine import Engine
from forecaster.live.site_runner import SiteRunner
from forecaster.twin.live import LiveSite, Scenario, larkspur_site

NOW_MS = 1_772_535_966_000  # 2026-03-03 11:06:06 UTC, 05:06 in Chicago
STEP_S = 120.0
TOLD_EVERY_MS = HOUR_MS


@dataclass(slots=True)
class HeldClock:
    """A clock that stands until it is moved."""

    at_ms: int = NOW_MS
    ran_s: float = field(default=1000.0)

    def now_ms(self) -> int:
        return self.at_ms

    def monotonic_s(self) -> float:
        return self.ran_s

    def move(self, seconds: float) -> None:
        self.at_ms += round(seconds * 1000)
        self.ran_s += seconds


def installation(
    folder: Path, sites: dict[str, Site], *, host: str = "127.0.0.1", http: Http | None = None
) -> Installation:
    """An installation over SQLite files in a folder."""
    (folder / "sites").mkdir(exist_ok=True)
    store = Store(url=f"sqlite:///{folder / 'outlast.db'}")
    return Installation(
        folder,
        Broker(),
        store,
        http or Http(host=host),
        Mail(),
        Push(key_file=folder / "push-key.pem"),
        Retention(),
        sites,
    )


@cache
def new_ledger() -> bytes:
    """The ledger of a new installation; its tables are made once a process."""
    with TemporaryDirectory() as place:
        held = installation(Path(place), {})
        open_ledger(held.ledger_url).close()
        return held.databases[-1].read_bytes()


def services(
    folder: Path,
    sites: dict[str, Site],
    *,
    host: str = "127.0.0.1",
    clock: HeldClock | None = None,
    http: Http | None = None,
) -> Services:
    """Services with real stores and a held clock."""
    held = installation(folder, sites, host=host, http=http)
    ledger = held.databases[-1]
    if not ledger.exists():
        ledger.write_bytes(new_ledger())
    return Services(
        held, open_store(held.readings_url), open_ledger(held.ledger_url), HeldClock() if clock is None else clock
    )


def tell_larkspur(
    store: ReadingStore,
    ledger: Ledger,
    *,
    now_ms: int = NOW_MS,
    before_h: float = 8.0,
    lost_h: float = 2.9,
    seed: int = 7,
) -> Site:
    """Simulate up to now: hours of history, the mains lost `lost_h` ago (0 or less: not lost). The site."""
    site = larkspur_site()
    start_ms = now_ms - round((before_h + max(lost_h, 0.0)) * HOUR_MS)
    fail_after_s = 3600.0 * before_h if lost_h > 0 else 3600.0 * (before_h + 20.0)
    live = LiveSite(seed=seed, start_ms=start_ms, scenario=Scenario(fail_after_s=fail_after_s, outage_h=30.0))
    decoder = Decoder([site])
    runner = SiteRunner(site, Engine(site, seed=seed), AlarmManager(site))
    told_ms = 0
    while live.now_ms < now_ms:
        step_s = min(STEP_S, (now_ms - live.now_ms) / 1000.0)
        readings = [
            reading
            for message in live.step(step_s)
            for reading in decoder.decode(message.topic, message.payload, message.at_ms).readings
        ]
        store.append(readings)
        for reading in readings:
            runner.take(reading)
        since_lost_ms = live.now_ms - (start_ms + round(fail_after_s * 1000))
        every_ms = STEP_S * 1000 if 0 <= since_lost_ms <= 600_000 else TOLD_EVERY_MS
        if live.now_ms - told_ms >= every_ms or live.now_ms >= now_ms:
            told_ms = live.now_ms
            publish(runner, ledger, live.now_ms)
    ledger.record(runner.drain())
    return site


def publish(runner: SiteRunner, ledger: Ledger, at_ms: int) -> None:
    """A forecast of a moment, and the alarms that rose on it."""
    ledger.record(runner.drain())
    told = runner.tell(at_ms, 0.0)
    ledger.publish([told.stored])
    ledger.commit_transitions(told.transitions, [], [])
