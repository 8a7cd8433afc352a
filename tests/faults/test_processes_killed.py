"""kill -9 of whole processes, as a supervisor would see it: what was published is stored, what was answered is kept."""

from __future__ import annotations

import base64
import random
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from functools import partial
from pathlib import Path

import httpx
import pytest

from collector.clock import SystemClock
from collector.config.settings import load_installation
from collector.store.open import open_ledger, open_readings
from forecaster.domain.ports import Ledger, ReadingStore
from tests.api.delivering import queue, told
from tests.bench.fleet import message, site_id, write_fleet
from tests.bench.load import CALL
from tests.engines import ROOT, answers, free_port, running_influx, wait_until
from tests.servers import Mosquitto, mosquitto

__all__ = ["mosquitto"]

SITES = 4
PATIENCE_S = 900.0


@contextmanager
def outlast(command: str, folder: Path) -> Iterator[subprocess.Popen[bytes]]:
    """A process of the installation; killed without mercy at the end of the block."""
    with (folder / f"{command}.log").open("ab") as log:
        words = [sys.executable, "-c", CALL, command, "--config", str(folder)]
        process = subprocess.Popen(words, cwd=ROOT, stdout=log, stderr=log)
    try:
        yield process
    finally:
        process.send_signal(signal.SIGKILL)
        process.wait(PATIENCE_S)


@contextmanager
def looking(folder: Path) -> Iterator[tuple[ReadingStore, Ledger]]:
    """Store and ledger of an installation that others run."""
    installation = load_installation(folder)
    with (
        closing(open_ledger(installation.ledger_url, owner=True)) as ledger,
        closing(open_readings(installation, ledger, SystemClock(), role="look", owner=False)) as store,
    ):
        yield store, ledger


def messages_of(first: int, last: int) -> list[tuple[str, bytes]]:
    """Messages of all sites in turn, each with a time of its own in the last hours."""
    begun_ms = int(time.time() * 1000) // 1000 * 1000 - 7_200_000
    return [message(n % SITES, n // SITES, begun_ms + n) for n in range(first, last)]


def each_once(store: ReadingStore, count: int) -> None:
    """So many rows, and as many different readings handed to those who follow."""
    assert store.count() == count
    followed = store.tail(None, 3 * count).readings
    assert len(followed) == len({(r.site, r.quantity, r.subject, r.time_ms) for r in followed}) == count


def waiting(folder: Path) -> int:
    """Rows in the outbox for a server, as they stand on disk."""
    found = 0
    for file in (folder / "outbox").glob("*.db"):
        with closing(sqlite3.connect(f"file:{file}?mode=ro", uri=True)) as held:
            found += held.execute("SELECT count(*) FROM waiting").fetchone()[0]
    return found


@pytest.mark.timeout(3600)
def test_collect_killed_while_its_outbox_waits(tmp_path: Path, mosquitto: Mosquitto) -> None:
    """In: 3,000 messages; 1,000 with InfluxDB there, 1,000 with it away, 1,000 to the broker while `collect` is dead;
    killed with its outbox full, and again as it sends after the server's return. Out: 3,000 rows, each once."""
    folder = tmp_path / "house"
    (tmp_path / "influx").mkdir()
    messages = messages_of(0, 3000)
    with running_influx(tmp_path / "influx") as influx:
        write_fleet(folder, SITES, mosquitto.url, f"{influx.url}/outlast")
        with looking(folder) as (store, ledger):
            with outlast("collect", folder):
                wait_until(lambda: ledger.noted("filters:load") is not None, "the collector", PATIENCE_S)
                mosquitto.publish(messages[:1000])
                wait_until(
                    lambda: store.count() == 1000 and waiting(folder) == 0, "a thousand on the server", PATIENCE_S
                )
                influx.stop()
                mosquitto.publish(messages[1000:2000])
                wait_until(lambda: waiting(folder) == 1000, "a thousand in the outbox", PATIENCE_S)
            assert waiting(folder) == 1000
            mosquitto.publish(messages[2000:])
            with outlast("collect", folder):
                wait_until(lambda: waiting(folder) == 2000, "two thousand in the outbox", PATIENCE_S)
                influx.start()
                wait_until(lambda: store.count() > 1000, "the first of them on the server", PATIENCE_S)
            with outlast("collect", folder):
                wait_until(lambda: waiting(folder) == 0, "the outbox", PATIENCE_S)
                each_once(store, 3000)


@pytest.mark.timeout(3600)
def test_run_killed_again_and_again_under_a_burst(tmp_path: Path, mosquitto: Mosquitto) -> None:
    """In: 20,000 messages in a burst, `outlast run` killed three times as it stores them. Out: 20,000 rows."""
    write_fleet(tmp_path, SITES, mosquitto.url, "sqlite:///outlast.db")
    with (tmp_path / "outlast.toml").open("a") as file:
        file.write(f"commit_window_ms = 20\n[http]\nport = {free_port()}\n")
    rng = random.SystemRandom()
    messages = messages_of(0, 20_000)
    with looking(tmp_path) as (store, ledger):
        with outlast("run", tmp_path):
            wait_until(lambda: ledger.noted("filters:load") is not None, "the collector", PATIENCE_S)
            mosquitto.publish(messages[:5000])
            wait_until(lambda: store.count() > 0, "the first rows", PATIENCE_S)
        publisher = threading.Thread(target=mosquitto.publish, args=(messages[5000:],))
        publisher.start()
        for _ in range(2):
            before = store.count()
            with outlast("run", tmp_path):
                wait_until(partial(more_rows, store, before), "more rows", PATIENCE_S)
                time.sleep(rng.uniform(0.0, 0.2))
        publisher.join()
        with outlast("run", tmp_path):
            wait_until(lambda: store.count() >= len(messages), "every row", PATIENCE_S)
            wait_until(lambda: len(ledger.issued()) == SITES, "a forecast of every site", PATIENCE_S)
            each_once(store, 20_000)


class Asker:
    """One person who asks `serve` for things until it no longer answers; what was answered, and how much was asked."""

    def __init__(self, base: str, alarm: str) -> None:
        self._base, self._alarm = base, alarm
        self.asked = 0
        self.places = 0
        self.requests: list[int] = []
        self.subscriptions: list[str] = []

    def goes_on(self, beyond: int) -> bool:
        """Whether more than so many were asked."""
        return self.asked > beyond

    def ask(self) -> None:
        """Acknowledge, and subscribe by turns while a token has places for browsers; ends with the connection."""
        self.places += 3
        keys = {"p256dh": text_of(65), "auth": text_of(16)}
        try:
            with httpx.Client(base_url=f"{self._base}/api/v1", timeout=PATIENCE_S) as client:
                while True:
                    self.asked += 1
                    if self.asked % 2 or len(self.subscriptions) == self.places:
                        taken = client.post(f"/alarms/{self._alarm}/acknowledge")
                        assert taken.status_code == 202, taken.text
                        self.requests.append(taken.json()["request"])
                    else:
                        body = {"endpoint": f"https://push.example.org/{self.asked}", "keys": keys}
                        taken = client.post("/push/subscriptions", json=body)
                        assert taken.status_code == 201, taken.text
                        self.subscriptions.append(taken.json()["id"])
        except httpx.TransportError:
            return


def more_rows(store: ReadingStore, before: int) -> bool:
    """Whether rows came in."""
    return store.count() > before


def text_of(size: int) -> str:
    """So many bytes, base64url."""
    return base64.urlsafe_b64encode(b"\4" * size).decode().rstrip("=")


def requests_in(ledger: Ledger) -> list[int]:
    """Numbers of all requests queued."""
    found: list[int] = []
    while more := ledger.requests(found[-1] if found else 0):
        assert {(kind, body) for _, kind, _, body, _ in more} == {("acknowledge", '{"by":"owner"}')}
        found += [number for number, *_ in more]
    return found


@pytest.mark.timeout(3600)
def test_serve_killed_as_it_answers_keeps_what_it_answered(tmp_path: Path, mosquitto: Mosquitto) -> None:
    """In: acknowledgements and subscriptions one after the other, `serve` killed three times as it takes them, 3,000
    messages meanwhile. Out: each that was answered once, at most the one under way besides; 3,000 rows."""
    write_fleet(tmp_path, SITES, mosquitto.url, "sqlite:///outlast.db")
    port = free_port()
    with (tmp_path / "outlast.toml").open("a") as file:
        file.write(f"[http]\nport = {port}\n")
    rng, messages, kills = random.SystemRandom(), messages_of(0, 3000), 3
    asker = Asker(f"http://127.0.0.1:{port}", told(site=site_id(0)).alarm.id)
    with looking(tmp_path) as (store, ledger), outlast("collect", tmp_path):
        site = load_installation(tmp_path).sites[site_id(0)]
        queue(ledger, site, [told(site=site.id)], SystemClock().now_ms())
        wait_until(lambda: ledger.noted("filters:load") is not None, "the collector", PATIENCE_S)
        for life in range(kills):
            with outlast("serve", tmp_path):
                wait_until(lambda: answers(port), "serve", PATIENCE_S)
                asking = threading.Thread(target=asker.ask)
                before = asker.asked
                asking.start()
                mosquitto.publish(messages[1000 * life : 1000 * (life + 1)])
                wait_until(partial(asker.goes_on, before + 20), "answers", PATIENCE_S)
                time.sleep(rng.uniform(0.0, 0.3))
            asking.join(PATIENCE_S)
            assert not asking.is_alive()
        wait_until(lambda: store.count() >= 3000, "every row", PATIENCE_S)
        each_once(store, 3000)
        answered = len(asker.requests) + len(asker.subscriptions)
        assert answered == asker.asked - kills
        queued, kept = requests_in(ledger), [held.id for held in ledger.subscriptions()]
        assert len(set(queued)) == len(queued)
        assert set(asker.requests) <= set(queued)
        assert set(asker.subscriptions) <= set(kept)
        assert answered <= len(queued) + len(kept) <= answered + kills
        with outlast("serve", tmp_path):
            wait_until(lambda: answers(port), "serve", PATIENCE_S)
            listed = httpx.get(f"http://127.0.0.1:{port}/api/v1/sites/{site.id}/alarms", timeout=60).json()["alarms"]
            assert [alarm["id"] for alarm in listed] == [told(site=site.id).alarm.id]
