"""A whole installation as a process of its own whose clock another process sets: hours of telemetry in seconds.

`python -m tests.api.process.lapse FOLDER START_MS`, then lines "THROUGH_MS TO_MS" on standard input: once every message
up to THROUGH_MS is folded, the clock is set to TO_MS; the line "TO_MS" comes back when every forecast that was due then
is made, its alarms are kept, and every message that was due has been tried. Broker, mail server, receivers and pages
are real, and so are the durations of deliveries.
"""

from __future__ import annotations

import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

import httpx

from api.process.parts import EVERYTHING
from api.process.process import Process
from collector.config.settings import load_installation
from collector.store.open import open_ledger, open_store
from forecaster.alarms.plan import CHANNELS
from forecaster.domain.readings import Reading
from forecaster.live import site_runner
from forecaster.live.worker import ForecastWorker
from tests.engines import ROOT, wait_until
from tests.servers import Mosquitto

PATIENCE_S = 300.0
AHEAD_MS = 90_000
"""The clock may be set so far on at once: messages that are sent before it is must not be refused as ahead of it."""
Message = tuple[int, str, bytes]
"""Source time, topic and payload."""


class SetClock:
    """A wall clock that goes only where it is set; durations stay real."""

    def __init__(self, now_ms: int) -> None:
        self.at_ms = now_ms

    def now_ms(self) -> int:
        return self.at_ms

    def monotonic_s(self) -> float:
        return time.monotonic()


class Installation:
    """The installation in its own process, and the steps that it is led through."""

    def __init__(self, folder: Path, start_ms: int) -> None:
        self.clock = SetClock(start_ms)
        self.process = Process(load_installation(folder), EVERYTHING, self.clock)

    def follow(self) -> None:
        """Take steps until standard input ends."""
        for line in sys.stdin:
            through_ms, to_ms = map(int, line.split())
            self.step(through_ms, to_ms)
            sys.stdout.write(f"{to_ms}\n")
            sys.stdout.flush()
        self.process.end()

    def step(self, through_ms: int, to_ms: int) -> None:
        services = self.process.services
        [worker] = [one for one in services.workers if isinstance(one, ForecastWorker)]
        wait_until(lambda: worker.reached_ms >= through_ms, "the messages", PATIENCE_S)
        self.clock.at_ms = to_ms
        services.wake()
        wait_until(self._forecast, "the forecasts", PATIENCE_S)
        services.wake()
        wait_until(self._tried, "the deliveries", PATIENCE_S)

    def _forecast(self) -> bool:
        """Whether no site's forecast is older than one may be on the pack."""
        services = self.process.services
        issued = services.ledger.issued()
        least_ms = self.clock.at_ms - site_runner.REFRESH_MS
        return all(issued.get(site, 0) >= least_ms for site in services.installation.sites)

    def _tried(self) -> bool:
        ledger, now_ms = self.process.services.ledger, self.clock.at_ms
        return not any(ledger.due(channel, now_ms, 1) for channel in CHANNELS)


@dataclass
class Lapse:
    """What leads such an installation: sends its houses' messages, and sets its clock behind them."""

    child: subprocess.Popen[str]
    broker: Mosquitto
    client: httpx.Client
    now_ms: int

    def go(self, to_ms: int, messages: Sequence[Message]) -> None:
        """Send messages of the time until to_ms, in order, and let it pass."""
        assert self.now_ms < to_ms <= self.now_ms + AHEAD_MS
        self.broker.publish([(topic, payload) for _, topic, payload in messages])
        assert self.child.stdin is not None
        assert self.child.stdout is not None
        self.child.stdin.write(f"{messages[-1][0]} {to_ms}\n")
        self.child.stdin.flush()
        assert self.child.stdout.readline().strip() == str(to_ms)
        self.now_ms = to_ms

    def when(self, so: Callable[[], bool], what: str) -> None:
        """Wait for something outside."""
        wait_until(so, what, PATIENCE_S)


@contextmanager
def lapsing(folder: Path, broker: Mosquitto, port: int, start_ms: int, past: Sequence[Reading]) -> Iterator[Lapse]:
    """An installation at a time, with what its houses told before it in its store."""
    installation = load_installation(folder)
    open_ledger(installation.ledger_url, owner=True).close()
    store = open_store(installation.readings_url)
    store.append(past)
    store.close()
    words = [sys.executable, "-m", "tests.api.process.lapse", str(folder), str(start_ms)]
    with (folder.parent / "lapse.log").open("w") as log:
        child = subprocess.Popen(
            words, cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=log, text=True, bufsize=1
        )
    client = httpx.Client(base_url=f"http://127.0.0.1:{port}", timeout=PATIENCE_S)
    try:
        wait_until(lambda: ready(client) or child.poll() is not None, "the installation", PATIENCE_S)
        assert child.poll() is None, (folder.parent / "lapse.log").read_text()
        yield Lapse(child, broker, client, start_ms)
    finally:
        client.close()
        child.kill()
        child.communicate()


def ready(client: httpx.Client) -> bool:
    """Whether it hears the broker and has made forecasts."""
    with suppress(httpx.TransportError):
        return client.get("/readyz").status_code == httpx.codes.OK
    return False


def main() -> int:
    """Run one."""
    site_runner.GAP_S = 0.0  # a pace for real seconds: here a minute passes in a tenth of one
    made = Installation(Path(sys.argv[1]), int(sys.argv[2]))
    threading.Thread(target=made.follow, daemon=True).start()
    return made.process.run()


if __name__ == "__main__":
    sys.exit(main())
