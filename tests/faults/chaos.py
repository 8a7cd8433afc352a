"""Random faults one after another over an installation, against messages that keep coming: in, out, twice, lost, told.

`python -m tests.faults.chaos run|split|both --messages N` tries as many as one likes; its figures are one line.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import signal
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing, contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from tempfile import TemporaryDirectory

from collector.store.open import open_ledger, open_store
from forecaster.domain.ports import ReadingStore
from tests.api.delivering import Receiver, listening
from tests.api.process.houses import PATIENCE_S, House
from tests.bench.fleet import site_id
from tests.engines import answers, wait_until
from tests.faults.membered import AUTOSAVE
from tests.faults.publishing import QUANTITIES, Publisher
from tests.faults.test_full_disk import fill
from tests.servers import running_mosquitto

DISK_MB = 1024
RUN, SPLIT = ("run",), ("collect", "forecast", "serve")
LAYOUTS = {"run": (RUN,), "split": (SPLIT,), "both": (RUN, SPLIT)}
"""Commands over an installation; where there are several layouts, one takes over from the other half-way."""

KINDS = ("kill", "end", "hang-up", "stop", "broker", "disk", "disk and kill")

WET = """[[channels]]
quantity = "high_water"
topic = "fleet/{id}/wet"
value = "$.wet"
time = "$.time"
[[contacts]]
name = "owner"
webhook = "{hook}"
"""


@dataclass(frozen=True)
class Wanted:
    """What is asked for.

    count, a_second : messages in all, and in a second; sites : of which each has one alarm
    between_s : least and most seconds from one fault to the next; faults : as many at least
    dries : whether floats go down again, and the end of each alarm is due as well
    """

    count: int
    a_second: int
    sites: int
    between_s: tuple[float, float]
    faults: int = 0
    dries: bool = False


SECONDS = Wanted(3_000, 250, 8, (0.5, 2.0), faults=6)
HALF_AN_HOUR = Wanted(1_000_000, 560, 40, (4.0, 14.0), dries=True)


@dataclass
class Layout:
    """The processes over an installation, each started anew where it ends, as a supervisor would."""

    house: House
    commands: tuple[str, ...]
    running: dict[str, subprocess.Popen[bytes]] = field(default_factory=dict)
    restarts: int = 0
    peak_mb: float = 0.0

    def start(self) -> None:
        for command in self.commands:
            self.running[command] = self.house.spawn(command)

    def tend(self) -> None:
        """Start anew what has ended by itself; see how much memory the others took."""
        for command, process in self.running.items():
            if process.poll() is not None:
                self.restarts += 1
                self.running[command] = self.house.spawn(command)
            else:
                status = Path(f"/proc/{process.pid}/status").read_text()
                held = status.partition("VmHWM:")[2].split()
                self.peak_mb = max(self.peak_mb, int(held[0]) / 1024.0 if held else 0.0)

    def again(self, command: str) -> None:
        """Wait for the end of one that was told to end, and start it."""
        self.running[command].wait(PATIENCE_S)
        self.running[command] = self.house.spawn(command)

    def turn_into(self, commands: tuple[str, ...]) -> None:
        """End all in order, and go on with others over the same installation."""
        for process in self.running.values():
            process.send_signal(signal.SIGTERM)
        for process in self.running.values():
            process.wait(PATIENCE_S)
        self.commands, self.running = commands, {}
        self.start()

    def close(self) -> None:
        for process in self.running.values():
            process.kill()
            process.wait(PATIENCE_S)


@dataclass
class Faults:
    """Faults in random order, each kind before any comes again."""

    dice: random.Random
    bag: list[str] = field(default_factory=list)
    done: Counter[str] = field(default_factory=Counter)

    def strike(self, one: Layout) -> None:
        """One fault, and what a supervisor would do after it."""
        if not self.bag:
            self.bag = self.dice.sample(KINDS, len(KINDS))
        kind, command = self.bag.pop(), self.dice.choice(one.commands)
        sys.stdout.write(f"{time.strftime('%H:%M:%S')} {kind} {command}\n")
        self.done[kind] += 1
        if kind in ENDS:
            one.running[command].send_signal(ENDS[kind])
            one.again(command)
        elif kind == "stop":
            one.running[command].send_signal(signal.SIGSTOP)
            time.sleep(self.dice.uniform(1.0, 5.0))
            one.running[command].send_signal(signal.SIGCONT)
        elif kind == "broker":
            one.house.broker.stop()
            time.sleep(self.dice.uniform(0.0, 3.0))
            one.house.broker.start()
        else:
            self._fill(one, command if kind == "disk and kill" else None)

    def _fill(self, one: Layout, killed: str | None) -> None:
        """A full disk for some seconds; one may be killed and started anew on it."""
        filler = one.house.folder / "filler"
        fill(filler)
        if killed is not None:
            one.running[killed].send_signal(signal.SIGKILL)
            one.again(killed)
        time.sleep(self.dice.uniform(1.0, 4.0))
        filler.unlink()


ENDS = {"kill": signal.SIGKILL, "end": signal.SIGTERM, "hang-up": signal.SIGHUP}


@contextmanager
def disk(place: Path) -> Iterator[Path]:
    """A disk of its own that can be filled."""
    place.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={DISK_MB}m", "tmpfs", str(place)], check=True)
    try:
        yield place
    finally:
        subprocess.run(["umount", "-l", str(place)], check=True)


@dataclass(frozen=True)
class Heard:
    """What the owner's webhook took about high water.

    keys : dict[tuple[str, str], set[str]] — keys of messages by site and by what they tell: raised, cleared, …
    repeats : int — messages under a key that had come before, which receivers drop
    messages : int — all of them
    """

    keys: dict[tuple[str, str], set[str]]
    repeats: int
    messages: int

    @classmethod
    def of(cls, receiver: Receiver) -> Heard:
        keys: dict[tuple[str, str], set[str]] = {}
        found = [json.loads(heard.body) for heard in list(receiver.heard)]
        about = [body for body in found if body["kind"] == "high-water"]
        for body in about:
            keys.setdefault((body["site"], body["transition"]), set()).add(body["key"])
        return cls(keys, len(about) - sum(map(len, keys.values())), len(about))

    def begun(self) -> set[str]:
        """Sites whose alarm was told, by its beginning or by what replaced that in a backlog."""
        return {site for site, what in self.keys if what != "cleared"}

    def ended(self) -> set[str]:
        """Sites whose end was told."""
        return {site for site, what in self.keys if what == "cleared"}

    def twice(self) -> int:
        """Beginnings and ends that were told more than once, under keys of their own."""
        return sum(len(keys) - 1 for (_, what), keys in self.keys.items() if what in ("raised", "cleared"))


def kept_port(dice: random.Random) -> int:
    """A free port that no client of this machine is given while the broker is away (below ip_local_port_range)."""
    ports = (dice.randrange(15_000, 32_000) for _ in range(100))
    return next(port for port in ports if not answers(port))


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


def compared(store: ReadingStore, publisher: Publisher) -> tuple[int, int, int]:
    """Rows, and of what was published those that are lost and those that stand twice, by site, quantity and time."""
    wanted, rows, lost, twice = publisher.expected(), 0, 0, 0
    for number in range(publisher.sites):
        for quantity in QUANTITIES:
            points = store.series(site_id(number), quantity, publisher.begun_ms, 1 << 53)
            found = Counter(point.time_ms for point in points)
            due = wanted.get((number, quantity), set())
            rows += len(points)
            lost += len(due - found.keys())
            twice += len(points) - len(found)
            assert found.keys() <= due, f"{site_id(number)}: rows of {quantity} that nobody sent"
    assert rows == store.count()
    return rows, lost, twice


def prepared(house: House, hook: str) -> None:
    """Site files with a float and an owner each."""
    house.write()
    for number in range(house.sites):
        with (house.folder / "sites" / f"{site_id(number)}.toml").open("a") as file:
            file.write(WET.format(id=site_id(number), hook=hook))


def chaos(work: Path, wanted: Wanted, layout: str, seed: int = 1) -> str:
    """Faults until all messages are published, then a count; the figures in a line."""
    faults = Faults(random.Random(seed))
    with ExitStack() as stack:
        broker = stack.enter_context(running_mosquitto(work / "mosquitto"))
        broker.stop()
        broker.autosave, broker.port = AUTOSAVE, kept_port(faults.dice)
        broker.start()
        receiver = stack.enter_context(listening(Receiver()))
        house = House(stack.enter_context(disk(work / "disk")) / "house", broker, wanted.sites)
        prepared(house, receiver.url)
        layouts = list(LAYOUTS[layout])
        one = Layout(house, layouts.pop(0))
        stack.callback(one.close)
        one.start()
        subscribed(house)
        publisher = Publisher(broker, wanted.sites, wanted.count, wanted.a_second, wanted.dries)
        publisher.thread.start()
        while publisher.thread.is_alive() or faults.done.total() < wanted.faults:
            one.tend()
            if layouts and publisher.sent > wanted.count // 2:
                one.turn_into(layouts.pop(0))
            faults.strike(one)
            time.sleep(faults.dice.uniform(*wanted.between_s))
        publisher.finish()
        due = set(map(site_id, range(wanted.sites)))
        until(lambda: Heard.of(receiver).begun() == due, one, "every alarm being told")
        if wanted.dries:
            until(lambda: Heard.of(receiver).ended() == due, one, "the end of every alarm being told")
        with closing(open_store(f"sqlite:///{house.folder / 'outlast.db'}", owner=False)) as store:
            until(lambda: store.count() >= publisher.total(), one, "the rows")
            rows, lost, twice = compared(store, publisher)
        until(lambda: house.status("/readyz") == 200, one, "being ready")
    heard = Heard.of(receiver)
    assert (lost, twice, heard.twice()) == (0, 0, 0), faults.done
    return (
        f"{layout}: {publisher.total()} in, {rows} out, {lost} lost, {twice} twice ({publisher.again} chunks published"
        f" again); {len(due)} alarms due, {len(heard.begun())} told, {len(heard.ended())} ends told, {heard.twice()}"
        f" told twice; {heard.repeats} of {heard.messages} messages came again under their key;"
        f" {', '.join(f'{count} {kind}' for kind, count in sorted(faults.done.items()))}; {one.restarts} started anew;"
        f" at most {one.peak_mb:.0f} MB"
    )


if __name__ == "__main__":
    options = argparse.ArgumentParser(description="Random faults over an installation, and what they cost.")
    options.add_argument("layout", choices=sorted(LAYOUTS))
    options.add_argument("--messages", type=int, default=HALF_AN_HOUR.count)
    options.add_argument("--a-second", type=int, default=HALF_AN_HOUR.a_second)
    options.add_argument("--seed", type=int, default=os.getpid())
    given = options.parse_args()
    whole = given.messages >= HALF_AN_HOUR.count
    asked = replace(HALF_AN_HOUR, count=given.messages, a_second=given.a_second, dries=whole)
    with TemporaryDirectory() as folder:
        sys.stdout.write(chaos(Path(folder), asked, given.layout, given.seed) + "\n")
