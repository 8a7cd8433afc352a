"""Random faults one after another over an installation, against messages that keep coming: in, out, twice, lost, told.

A million messages over half an hour a layout with `--long`, three thousand in every run's short form.
`python -m tests.faults.test_chaos MESSAGES run|split [SEED]` tries as many as one likes.
"""

from __future__ import annotations

import json
import os
import random
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest

from collector.store.open import open_ledger, open_store
from tests.api.delivering import Receiver, listening
from tests.api.process.houses import PATIENCE_S, House
from tests.bench.fleet import message, site_id
from tests.engines import wait_until
from tests.faults.test_full_disk import fill
from tests.servers import CHUNK, Mosquitto, running_mosquitto

SITES = 8
A_SECOND = 560
BETWEEN_S = (3.0, 9.0)
BEGUN_MS = 1_790_000_000_000
DISK_MB = 768
LAYOUTS = {"run": ("run",), "split": ("collect", "forecast", "serve")}

WET = """[[channels]]
quantity = "high_water"
topic = "fleet/{id}/wet"
value = "$.wet"
time = "$.time"
[[contacts]]
name = "owner"
webhook = "{hook}"
"""


@dataclass
class Publisher:
    """Publishes numbered messages at a fixed rate, each until the broker has taken it; and floats that are up.

    wet : list[str] — sites whose float is up; floats : int — messages of floats, each a row of its own
    """

    broker: Mosquitto
    count: int
    sent: int = 0
    again: int = 0
    floats: int = 0
    wet: list[str] = field(default_factory=list)
    thread: threading.Thread = field(init=False)

    def __post_init__(self) -> None:
        self.thread = threading.Thread(target=self._work, daemon=True)

    def _work(self) -> None:
        begun_s = time.monotonic()
        while self.sent < self.count:
            last = min(self.count, self.sent + CHUNK)
            part = [message(n % SITES, n // SITES, BEGUN_MS + n) for n in range(self.sent, last)]
            self._until_taken(part + self.told_wet())
            self.sent = last
            time.sleep(max(0.0, begun_s + self.sent / A_SECOND - time.monotonic()))

    def told_wet(self) -> list[tuple[str, bytes]]:
        """What the floats say now."""
        now_ms = int(time.time() * 1000)
        said = [(f"fleet/{id}/wet", json.dumps({"wet": True, "time": now_ms}).encode()) for id in self.wet]
        self.floats += len(said)
        return said

    def _until_taken(self, part: list[tuple[str, bytes]]) -> None:
        while True:
            try:
                self.broker.publish(part)
                return
            except (AssertionError, OSError, RuntimeError, ValueError):  # the broker is away: the same ones again
                self.again += 1
                time.sleep(0.5)


@dataclass
class Layout:
    """The processes over an installation, each started anew where it ends, as a supervisor would."""

    house: House
    commands: tuple[str, ...]
    running: dict[str, subprocess.Popen[bytes]] = field(default_factory=dict)
    restarts: int = 0

    def start(self) -> None:
        for command in self.commands:
            self.running[command] = self.house.spawn(command)

    def tend(self) -> None:
        """Start anew what has ended by itself."""
        for command, process in self.running.items():
            if process.poll() is not None:
                self.restarts += 1
                self.running[command] = self.house.spawn(command)

    def close(self) -> None:
        for process in self.running.values():
            process.kill()
            process.wait(PATIENCE_S)


def harm(one: Layout, dice: random.Random) -> str:
    """One fault, and what a supervisor would do after it."""
    command = dice.choice(one.commands)
    kind = dice.choice(("kill", "end", "stop", "broker", "disk"))
    process = one.running[command]
    if kind == "kill":
        process.send_signal(signal.SIGKILL)
    elif kind == "end":
        process.send_signal(signal.SIGTERM)
    elif kind == "stop":
        process.send_signal(signal.SIGSTOP)
        time.sleep(dice.uniform(1.0, 5.0))
        process.send_signal(signal.SIGCONT)
    elif kind == "broker":
        one.house.broker.stop()
        time.sleep(dice.uniform(0.0, 3.0))
        one.house.broker.start()
    else:
        filler = one.house.folder / "filler"
        fill(filler)
        time.sleep(dice.uniform(1.0, 4.0))
        filler.unlink()
    if kind in ("kill", "end"):
        process.wait(PATIENCE_S)
        one.running[command] = one.house.spawn(command)
    return kind


@contextmanager
def disk(place: Path) -> Iterator[Path]:
    """A disk of its own that can be filled."""
    place.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={DISK_MB}m", "tmpfs", str(place)], check=True)
    try:
        yield place
    finally:
        subprocess.run(["umount", "-l", str(place)], check=True)


def alarms_told(receiver: Receiver) -> dict[str, set[str]]:
    """Keys of the messages about high water, by site."""
    found: dict[str, set[str]] = {}
    for heard in receiver.heard:
        body = json.loads(heard.body)
        if body["kind"] == "high-water":
            found.setdefault(body["site"], set()).add(heard.headers["idempotency-key"])
    return found


def subscribed(house: House) -> None:
    """Wait until the broker keeps what comes for the program: what was sent before is nobody's."""
    wait_until((house.folder / "outlast-ledger.db").exists, "the ledger", PATIENCE_S)
    with closing(open_ledger(f"sqlite:///{house.folder / 'outlast-ledger.db'}", owner=False)) as ledger:
        wait_until(lambda: ledger.noted("filters:load") is not None, "the session", PATIENCE_S)


def until(true: Callable[[], bool], one: Layout, what: str) -> None:
    def tended() -> bool:
        one.tend()
        return true()

    wait_until(tended, what, 4 * PATIENCE_S)


def chaos(work: Path, count: int, layout: str, seed: int = 1) -> str:
    """Faults until all messages are published, then a count; the figures in a line."""
    dice, done = random.Random(seed), list[str]()
    with ExitStack() as stack:
        broker = stack.enter_context(running_mosquitto(work / "mosquitto"))
        receiver = stack.enter_context(listening(Receiver()))
        place = stack.enter_context(disk(work / "disk"))
        house = House(place / "house", broker, SITES)
        house.write()
        for number in range(SITES):
            with (house.folder / "sites" / f"{site_id(number)}.toml").open("a") as file:
                file.write(WET.format(id=site_id(number), hook=receiver.url))
        one = Layout(house, LAYOUTS[layout])
        stack.callback(one.close)
        one.start()
        subscribed(house)
        publisher = Publisher(broker, count)
        publisher.thread.start()
        due = [site_id(number) for number in range(SITES)]
        while publisher.thread.is_alive():
            one.tend()
            done.append(harm(one, dice))
            if len(publisher.wet) < min(SITES, 1 + SITES * publisher.sent // count):
                publisher.wet.append(due[len(publisher.wet)])
            publisher.thread.join(dice.uniform(*BETWEEN_S))
        publisher.wet = due
        broker.publish(publisher.told_wet())
        until(lambda: set(alarms_told(receiver)) == set(due), one, "every alarm being told")
        wanted = count + publisher.floats
        with closing(open_store(f"sqlite:///{house.folder / 'outlast.db'}", owner=False)) as store:
            until(lambda: store.count() >= wanted, one, "the rows")
            rows = store.count()
    keys = receiver.keys()
    faults = ", ".join(f"{done.count(kind)} {kind}" for kind in sorted(set(done)))
    assert rows == wanted, f"{wanted} in, {rows} out after {faults}"
    return (
        f"{layout}: {wanted} in, {rows} out, {publisher.again} chunks sent again; {len(due)} alarms due, "
        f"{len(alarms_told(receiver))} told, {len(keys) - len(set(keys))} of {len(keys)} messages twice; {faults}; "
        f"{one.restarts} started anew"
    )


@pytest.mark.timeout(1800)
@pytest.mark.parametrize("layout", ["run", pytest.param("split", marks=pytest.mark.long)])
def test_some_seconds_of_faults(tmp_path: Path, layout: str) -> None:
    """In: 3,000 messages at QoS 1 and 8 alarms. Out: 3,000 rows and the floats', none twice, none lost; 8 told."""
    assert "8 alarms due, 8 told" in chaos(tmp_path, 3_000, layout)


@pytest.mark.long
@pytest.mark.timeout(3 * 3600)
@pytest.mark.parametrize("layout", LAYOUTS)
def test_a_million_messages_through_half_an_hour_of_faults(tmp_path: Path, layout: str) -> None:
    """In: 1,000,000 messages at QoS 1 and 8 alarms. Out: 1,000,000 rows and the floats', none twice; 8 told."""
    assert "8 alarms due, 8 told" in chaos(tmp_path, 1_000_000, layout)


if __name__ == "__main__":
    with TemporaryDirectory() as folder:
        seed = int(sys.argv[3]) if len(sys.argv) > 3 else os.getpid()
        sys.stdout.write(chaos(Path(folder), int(sys.argv[1]), sys.argv[2], seed) + "\n")
