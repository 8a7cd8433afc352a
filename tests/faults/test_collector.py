"""What the collector must survive, each told through its state: kills, locks, full disks, faults in decoding."""

from __future__ import annotations

import random
import shutil
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from collector.decode.payload import Decoder
from collector.store.open import open_store
from forecaster.domain.errors import StoreRefused
from forecaster.domain.quantities import Quantity
from forecaster.domain.readings import Reading
from tests.collector.examples import installation_in
from tests.collector.test_collector import START_S, House, house, plug
from tests.engines import ROOT
from tests.servers import Mosquitto, eventually, mosquitto, running_mosquitto

__all__ = ["mosquitto"]

BURST = 50_000


@contextmanager
def child(folder: Path, *arguments: str) -> Iterator[subprocess.Popen[str]]:
    """A collecting process that has subscribed; killed without mercy at the end of the block."""
    command = [sys.executable, "-m", "tests.faults.collecting", str(folder), *arguments]
    process = subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, text=True)
    try:
        assert process.stdout is not None
        assert process.stdout.readline() == "connected\n"
        yield process
    finally:
        process.kill()
        process.wait()
        if process.stdout is not None:
            process.stdout.close()


def test_killed_anywhere_in_a_burst_nothing_is_lost_and_nothing_twice(tmp_path: Path) -> None:
    """kill -9 at random moments of a burst of 50,000 QoS 1 messages through a real broker."""
    seed = random.SystemRandom().randrange(10**6)
    rng = random.Random(seed)
    with running_mosquitto(tmp_path / "broker", persistent=False) as broker:
        folder = installation_in(tmp_path / "house", broker.url)
        with child(folder):
            pass
        burst = [plug(i, float(i % 1000)) for i in range(BURST)]
        publisher = threading.Thread(target=broker.publish, args=(burst,))
        publisher.start()
        kills = 0
        while publisher.is_alive() or kills < 5:
            with child(folder):
                time.sleep(rng.uniform(0.02, 0.8))
            kills += 1
            assert kills < 100
        publisher.join()
        with house(folder, broker.url) as made:
            eventually(lambda: made.store.count() == BURST, f"every reading (seed {seed})", 120)
            points = made.store.series("larkspur", Quantity.PUMP_POWER, 0, 2**53)
            assert [p.time_ms for p in points] == [(START_S + i) * 1000 for i in range(BURST)]
            assert [p.mean for p in points] == [float(i % 1000) for i in range(BURST)]
            assert len(made.store.tail(None, BURST * 2).readings) == BURST


def test_killed_between_arrival_and_commit_nothing_is_lost(tmp_path: Path, mosquitto: Mosquitto) -> None:
    folder = installation_in(tmp_path / "house", mosquitto.url)
    with child(folder, "300") as process:
        assert process.stdout is not None
        mosquitto.publish([plug(i) for i in range(500)])
        assert process.stdout.readline() == "stalled\n"
    store = open_store(f"sqlite:///{folder / 'outlast.db'}")
    assert store.count() < 500
    store.close()
    with house(tmp_path / "house", mosquitto.url) as made:
        eventually(lambda: made.store.count() == 500, "500 readings")


def test_a_broker_killed_in_a_burst_forgets_at_most_what_it_had_not_saved(tmp_path: Path) -> None:
    """In: 5,000 messages, the broker killed among them and started again. Out: 5,000 rows less at most the last 200
    changes that it had not yet written, each once, and all that is published afterwards."""
    with running_mosquitto(tmp_path / "broker") as broker, house(tmp_path / "house", broker.url) as made:
        taken: list[int] = []
        publisher = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
        publisher.max_inflight_messages_set(500)
        publisher.on_publish = lambda _client, _data, number, *_: taken.append(number)
        publisher.connect("127.0.0.1", broker.port)
        publisher.loop_start()
        for i in range(5000):
            publisher.publish(*plug(i), qos=1)
        eventually(lambda: made.store.count() > 1000, "the first thousand")
        broker.kill()
        before = made.store.count()
        assert before < 5000
        broker.start()
        eventually(lambda: len(taken) == 5000, "every acknowledgement")
        publisher.disconnect()
        publisher.loop_stop()
        eventually(lambda: made.collector.state().connected, "a new connection")
        broker.publish([plug(i) for i in range(5000, 5100)])
        last_ms = (START_S + 5099) * 1000
        eventually(lambda: bool(made.store.series("larkspur", Quantity.PUMP_POWER, last_ms, 2**53)), "the last")
        points = [p.time_ms for p in made.store.series("larkspur", Quantity.PUMP_POWER, 0, 2**53)]
        assert 4900 <= made.store.count() == len(points) == len(set(points)) <= 5100
        assert points[-100:] == [(START_S + i) * 1000 for i in range(5000, 5100)]
        assert made.ledger.refusals() == []


@pytest.mark.parametrize("locked_s", [8.0, pytest.param(60.0, marks=[pytest.mark.long, pytest.mark.timeout(300)])])
def test_a_locked_store_is_waited_for_and_told(tmp_path: Path, mosquitto: Mosquitto, locked_s: float) -> None:
    with house(tmp_path, mosquitto.url) as made:
        lock = sqlite3.connect(tmp_path / "outlast.db", isolation_level=None)
        lock.execute("BEGIN IMMEDIATE")
        mosquitto.publish([plug(i) for i in range(3000)])
        eventually(
            lambda: any("locked by another" in p for p in made.collector.state().problems), "the lock being told"
        )
        time.sleep(locked_s - 5.0)
        assert made.collector.state().connected
        assert made.store.count() == 0
        lock.execute("ROLLBACK")
        lock.close()
        eventually(lambda: made.store.count() == 3000, "3000 readings", 60)
        eventually(lambda: made.collector.state().problems == (), "all well")
        assert made.collector.state().connections == 1, "keepalive broke"


@pytest.mark.parametrize("fault", [TypeError, ZeroDivisionError, KeyError, RecursionError, AssertionError])
def test_a_decoder_that_raises_costs_its_own_message_only(
    tmp_path: Path, mosquitto: Mosquitto, monkeypatch: pytest.MonkeyPatch, fault: type[Exception]
) -> None:
    sound = Decoder.decode

    def broken(self: Decoder, topic: str, payload: bytes, arrived_ms: int, retained: bool = False) -> object:
        if b"666" in payload:
            raise fault("no such luck")
        return sound(self, topic, payload, arrived_ms, retained)

    monkeypatch.setattr(Decoder, "decode", broken)
    with house(tmp_path, mosquitto.url) as made:
        mosquitto.publish([plug(0), plug(1, 666.0), plug(2)])
        eventually(lambda: made.collector.state().messages == 3, "three messages")
        assert made.store.count() == 2
        (refusal,) = made.ledger.refusals()
        assert fault.__name__ in refusal.reason
        assert refusal.payload == plug(1, 666.0)[1]
        assert made.collector.state().refusals == 1
        assert made.collector.alive()


def test_a_reading_that_the_store_refuses_is_told_apart_and_quarantined(
    tmp_path: Path, mosquitto: Mosquitto, monkeypatch: pytest.MonkeyPatch
) -> None:
    with house(tmp_path, mosquitto.url) as made:
        sound = made.store.append

        def picky(readings: Sequence[Reading]) -> int:
            if any(reading.value == 13.0 for reading in readings):
                raise StoreRefused("thirteen")
            return sound(readings)

        monkeypatch.setattr(made.store, "append", picky)
        mosquitto.publish([plug(i, float(i)) for i in range(40)])
        eventually(lambda: made.collector.state().messages == 40, "40 messages")
        assert made.store.count() == 39
        assert [r.reason for r in made.ledger.refusals("larkspur")] == ["the store refuses it: thirteen"]


def test_a_full_disk_is_told_and_outlived(tmp_path: Path, mosquitto: Mosquitto) -> None:
    """A real full disk: a small tmpfs, filled to the last byte under the running collector."""
    disk = tmp_path / "disk"
    disk.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", "size=16m", "tmpfs", str(disk)], check=True)
    try:
        with house(disk, mosquitto.url) as made:
            mosquitto.publish([plug(i) for i in range(100)])
            eventually(lambda: made.store.count() == 100, "100 readings")
            filler = disk / "filler"
            fill(filler)
            mosquitto.publish([plug(i) for i in range(100, 5000)])
            eventually(lambda: any("disk is full" in p for p in made.collector.state().problems), "the full disk told")
            before = made.store.count()
            assert before < 5000
            assert made.collector.alive()
            filler.unlink()
            eventually(lambda: made.store.count() == 5000, "5000 readings", 60)
            eventually(lambda: not any("is full" in p for p in made.collector.state().problems), "all well")
        held = open_store(f"sqlite:///{disk / 'outlast.db'}")
        assert held.health().ok
        held.close()
    finally:
        subprocess.run(["umount", "-l", str(disk)], check=True)


def fill(path: Path) -> None:
    """Write until nothing is left."""
    with path.open("wb", buffering=0) as file:
        size = 1 << 16
        while size:
            try:
                file.write(b"\0" * size)
            except OSError:
                size //= 2


def wait_for_messages(made: House, count: int) -> None:
    """Wait until so many messages are durable and acknowledged."""
    eventually(lambda: made.collector.state().messages == count, f"{count} messages")


def test_nothing_leaks_over_many_lives(tmp_path: Path, mosquitto: Mosquitto) -> None:
    def open_things() -> tuple[int, int]:
        return len(list(Path("/proc/self/fd").iterdir())), threading.active_count()

    folder = tmp_path / "house"
    for life in range(2):
        with house(folder, mosquitto.url) as made:
            mosquitto.publish([plug(life)])
            wait_for_messages(made, 1)
    before = open_things()
    for life in range(2, 6):
        with house(folder, mosquitto.url):
            mosquitto.publish([plug(life)])
    after = open_things()
    assert after[0] <= before[0] + 1
    assert after[1] <= before[1]
    shutil.rmtree(folder)
