"""Random faults one after another over a running installation, against messages that keep coming: in, out, twice, lost.

A million messages over half an hour with `--long`; `python -m tests.faults.test_chaos MESSAGES` tries fewer.
"""

from __future__ import annotations

import random
import signal
import sys
import threading
import time
from contextlib import closing, suppress
from dataclasses import dataclass, field
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest

from collector.store.open import open_store
from tests.api.process.houses import PATIENCE_S, House, house
from tests.bench.fleet import message
from tests.engines import wait_until
from tests.servers import CHUNK, Mosquitto, running_mosquitto

SITES = 4
A_SECOND = 560
BETWEEN_S = (4.0, 12.0)
BEGUN_MS = 1_790_000_000_000


@dataclass
class Publisher:
    """Publishes numbered messages at a fixed rate, each until the broker has taken it."""

    broker: Mosquitto
    count: int
    sent: int = 0
    again: int = 0
    thread: threading.Thread = field(init=False)

    def __post_init__(self) -> None:
        self.thread = threading.Thread(target=self._work, daemon=True)

    def _work(self) -> None:
        begun_s = time.monotonic()
        while self.sent < self.count:
            last = min(self.count, self.sent + CHUNK)
            part = [message(n % SITES, n // SITES, BEGUN_MS + n) for n in range(self.sent, last)]
            try:
                self.broker.publish(part)
            except (AssertionError, OSError, RuntimeError, ValueError):  # the broker is away: the same ones again
                self.again += 1
                time.sleep(0.5)
                continue
            self.sent = last
            time.sleep(max(0.0, begun_s + self.sent / A_SECOND - time.monotonic()))


def harm(one: House, dice: random.Random) -> str:
    """One fault, and what a supervisor would do after it."""
    kind = dice.choice(("kill", "end", "stop", "broker"))
    process = one.process
    assert process is not None
    if kind == "kill":
        process.send_signal(signal.SIGKILL)
    elif kind == "end":
        process.send_signal(signal.SIGTERM)
    elif kind == "stop":
        process.send_signal(signal.SIGSTOP)
        time.sleep(dice.uniform(1.0, 5.0))
        process.send_signal(signal.SIGCONT)
    else:
        one.broker.stop()
        time.sleep(dice.uniform(0.0, 3.0))
        one.broker.start()
    if kind in ("kill", "end"):
        process.wait(PATIENCE_S)
        one.start()
    return kind


def chaos(work: Path, count: int, seed: int = 1) -> str:
    """Faults until all messages are published, then a count; the figures in a line."""
    dice, done = random.Random(seed), list[str]()
    with running_mosquitto(work / "mosquitto") as broker, house(work / "house", broker, SITES) as one:
        one.write()
        one.start()
        publisher = Publisher(broker, count)
        publisher.thread.start()
        while publisher.thread.is_alive():
            done.append(harm(one, dice))
            publisher.thread.join(dice.uniform(*BETWEEN_S))
        with closing(open_store(f"sqlite:///{one.folder / 'outlast.db'}", owner=False)) as store:
            with suppress(AssertionError):
                wait_until(lambda: store.count() >= count, "the rows", PATIENCE_S)
            rows = store.count()
        assert one.ended() is None
    faults = ", ".join(f"{done.count(kind)} {kind}" for kind in sorted(set(done)))
    assert rows == count, f"{count} in, {rows} out after {faults}"
    return f"{count} in, {rows} out, {publisher.again} chunks sent again; {faults}"


@pytest.mark.long
@pytest.mark.timeout(3 * 3600)
def test_a_million_messages_through_half_an_hour_of_faults(tmp_path: Path) -> None:
    """In: 1,000,000 messages at QoS 1. Out: 1,000,000 rows, none twice, none lost."""
    assert chaos(tmp_path, 1_000_000).startswith("1000000 in, 1000000 out")


if __name__ == "__main__":
    with TemporaryDirectory() as folder:
        sys.stdout.write(chaos(Path(folder), int(sys.argv[1])) + "\n")
