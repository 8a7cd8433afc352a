"""The demo: simulated cellars that publish MQTT messages in time-lapse, and the whole installation listening."""

from __future__ import annotations

import threading
import time
from dataclasses import dataclass, replace
from pathlib import Path

from api.process.parts import EVERYTHING
from api.process.process import Process
from collector.collector import Collector
from collector.config.settings import load_installation, site_toml
from collector.decode.payload import Decoder
from collector.mqtt.connection import client
from collector.mqtt.embedded import free_port
from collector.mqtt.wire import Client
from collector.store.open import open_ledger, open_store
from forecaster.domain.errors import ConfigError
from forecaster.domain.readings import Reading
from forecaster.domain.site import Site
from forecaster.live.worker import ForecastWorker
from forecaster.texts.catalogue import Said
from forecaster.twin.draw import OUTLOOK_SENSOR, topic_of
from forecaster.twin.live import LiveSite, Scenario

HISTORY_H = 12.0
LEAD_S = 30.0
STEP_S = 0.05
AHEAD_MS = 60_000
"""How far the clock may run ahead of what the forecaster has folded [ms]: well below the silence of any channel."""
SUBSCRIBE_S = 0.5
"""How long to wait for the collector's subscription after it has connected [real seconds]."""
PATIENCE_S = 60.0
"""After this time the clock goes on without a message that did not come through [real seconds]."""
BATCH = 5_000
OUTLOOK_TOPIC = topic_of(OUTLOOK_SENSOR)
"""Rain to come has later times and does not tell how far the readings have come through."""


class LapseClock:
    """Time-lapse: wall time runs `speed` times as fast from a start, up to a limit; durations stay real.

    The limit keeps a busy machine honest: where the simulated messages have not come through yet, the clock waits for
    them, so that a queue is not taken for silence.
    """

    def __init__(self, start_ms: int, speed: float) -> None:
        self._at_ms, self._speed = float(start_ms), speed
        self._limit_ms: float | None = None
        self._from_s = time.monotonic()
        self._lock = threading.Lock()

    def now_ms(self) -> int:
        """Simulated UTC milliseconds; never steps back."""
        with self._lock:
            now_s = time.monotonic()
            at_ms = self._at_ms + (now_s - self._from_s) * self._speed * 1000.0
            if self._limit_ms is not None:
                at_ms = max(self._at_ms, min(at_ms, self._limit_ms))
            self._at_ms, self._from_s = at_ms, now_s
            return round(at_ms)

    def monotonic_s(self) -> float:
        """Real seconds."""
        return time.monotonic()

    def hold(self, limit_ms: int) -> None:
        """Set the limit: the clock goes no further than this."""
        self.now_ms()
        with self._lock:
            self._limit_ms = float(limit_ms)

    def restart(self) -> None:
        """Go on from the present simulated time; the real time since the last look does not count."""
        with self._lock:
            self._from_s = time.monotonic()


@dataclass(frozen=True, slots=True)
class Cellar:
    """A simulated site, and the prefix that keeps its topics apart from its neighbours'."""

    live: LiveSite
    site: Site
    prefix: str


def cellars(seed: int, start_ms: int, fail_after_s: float) -> list[Cellar]:
    """Larkspur Lane and two neighbours: another storm and a later failure each."""
    plans = (
        ("larkspur", "Larkspur Lane cellar", "", Scenario(fail_after_s=fail_after_s)),
        ("larkspur-9", "Larkspur Lane 9, workshop", "nine/",
         Scenario(fail_after_s=fail_after_s + 1_200.0, outage_h=4.0, storm_mm_per_h=2.5)),
        ("larkspur-12", "Larkspur Lane 12, shop", "twelve/",
         Scenario(fail_after_s=fail_after_s + 5 * 3_600.0, outage_h=20.0, storm_mm_per_h=1.0)),
    )  # fmt: skip
    found = []
    for index, (site_id, name, prefix, scenario) in enumerate(plans):
        live = LiveSite(seed=seed * 10 + index, start_ms=start_ms, scenario=scenario)
        channels = tuple(replace(c, topic=prefix + c.topic) for c in live.site.channels)
        found.append(Cellar(live, replace(live.site, id=site_id, name=name, channels=channels), prefix))
    return found


class ClockLimit:
    """How far the clock may go: AHEAD_MS beyond the messages that were sent and have come through."""

    def __init__(self, start_ms: int) -> None:
        self._start_ms = start_ms
        self._sent_ms = self._passed_ms = self._settled_ms = start_ms
        self._reached_ms: int | None = None
        self._moved_s = 0.0

    def sent(self, at_ms: int) -> None:
        """Record that a message with this time was published."""
        self._sent_ms = max(self._sent_ms, at_ms)

    def passed(self, to_ms: int) -> None:
        """Record that all messages up to this time have been published."""
        self._passed_ms = max(self._passed_ms, to_ms)

    def limit_ms(self, reached_ms: int, now_s: float) -> int:
        """The limit, where the forecaster has folded up to `reached_ms` by a real time."""
        if reached_ms != self._reached_ms:
            self._reached_ms, self._moved_s = reached_ms, now_s
        through = reached_ms >= self._sent_ms or now_s - self._moved_s > PATIENCE_S
        settled_ms = self._passed_ms if through else reached_ms
        self._settled_ms = max(self._settled_ms, settled_ms)
        return self._settled_ms + AHEAD_MS


class Demo:
    """A demo in a folder of its own. prepare(), then run() until ctrl-C."""

    def __init__(
        self, folder: Path, *, speed: float, seed: int, port: int, start_ms: int | None = None, lead_s: float = LEAD_S
    ) -> None:
        self._folder = folder
        now_ms = time.time_ns() // 1_000_000 if start_ms is None else start_ms
        self.port = port or free_port()
        self.fails_in_s = lead_s
        self._start_ms = now_ms
        self._clock = LapseClock(now_ms, speed)
        self._clock.hold(now_ms)
        history_s = HISTORY_H * 3_600.0
        self._cellars = cellars(seed, now_ms - round(history_s * 1000.0), history_s + lead_s * speed)
        self._process: Process | None = None
        self._ending = threading.Event()
        self._publisher = threading.Thread(target=self._publish, name="cellars", daemon=True)
        self._broker_port = free_port()
        self._limit = ClockLimit(now_ms)
        self._problem: str | None = None

    @property
    def sites(self) -> list[Site]:
        """The simulated sites."""
        return [cellar.site for cellar in self._cellars]

    def prepare(self) -> None:
        """Write the installation, and store what the cellars sent in the hours before now."""
        (self._folder / "sites").mkdir()
        (self._folder / "outlast.toml").write_text(
            f'[broker]\nurl = "embedded"\nlisten_port = {self._broker_port}\n\n[http]\nport = {self.port}\n',
            encoding="utf-8",
        )
        for cellar in self._cellars:
            path = self._folder / "sites" / f"{cellar.site.id}.toml"
            path.write_text(site_toml(cellar.site), encoding="utf-8")
        installation = load_installation(self._folder)
        open_ledger(installation.ledger_url, owner=True).close()  # readings without a ledger are a lost ledger
        store = open_store(installation.readings_url)
        try:
            for cellar in self._cellars:
                readings = self._history(cellar)
                for start in range(0, len(readings), BATCH):
                    store.append(readings[start : start + BATCH])
        finally:
            store.close()

    def _history(self, cellar: Cellar) -> list[Reading]:
        decoder = Decoder([cellar.site])
        found: list[Reading] = []
        for message in cellar.live.step(HISTORY_H * 3_600.0):
            found += decoder.decode(cellar.prefix + message.topic, message.payload, message.at_ms).readings
        return found

    def run(self) -> int:
        """Run the installation and the cellars until ctrl-C or SIGTERM."""
        self._process = Process(load_installation(self._folder), EVERYTHING, self._clock)
        self._clock.restart()
        self._publisher.start()
        try:
            return self._process.run()
        finally:
            self._ending.set()
            self._publisher.join(5.0)
            if self._problem is not None:
                raise ConfigError("demo", "broker", self._problem, Said("config.try_again"))

    def end(self) -> None:
        """Ask the demo to end."""
        if self._process is not None:
            self._process.end()

    # -- the cellars' side of the broker
    def _publish(self) -> None:
        cellars = client(load_installation(self._folder).broker, "cellars")
        if not self._connected(cellars):
            self._problem = Said("config.the_embedded_broker_did_not_answer")
            self.end()
            return
        cellars.loop_start()
        while not self._listened_to() and not self._ending.wait(STEP_S):
            self._clock.hold(self._start_ms)
        self._ending.wait(SUBSCRIBE_S)
        while not self._ending.wait(STEP_S):
            self._clock.hold(self._limit.limit_ms(self._folded_ms(), time.monotonic()))
            self._pass_time(cellars)
        cellars.leave()

    def _listened_to(self) -> bool:
        """Wait until the collector has subscribed: what is published before that reaches nobody."""
        workers = self._process.services.workers if self._process is not None else []
        return any(isinstance(worker, Collector) and worker.state().connected for worker in workers)

    def _folded_ms(self) -> int:
        """The time up to which the forecaster has folded what the cellars sent [UTC milliseconds]."""
        workers = self._process.services.workers if self._process is not None else []
        return max((worker.reached_ms for worker in workers if isinstance(worker, ForecastWorker)), default=0)

    def _connected(self, cellars: Client) -> bool:
        for _ in range(100):
            try:
                cellars.connect("127.0.0.1", self._broker_port)
            except OSError:
                if self._ending.wait(0.1):
                    return True
            else:
                return True
        return False

    def _pass_time(self, cellars: Client) -> None:
        """Simulate the cellars up to the clock's time, and publish their messages in order."""
        now_ms = self._clock.now_ms()
        sent: list[tuple[int, str, bytes]] = []
        for cellar in self._cellars:
            ahead_s = (now_ms - cellar.live.now_ms) / 1000.0
            if ahead_s > 0.0:
                sent += [(m.at_ms, cellar.prefix + m.topic, m.payload) for m in cellar.live.step(ahead_s)]
        for at_ms, topic, payload in sorted(sent):
            cellars.publish(topic, payload, qos=1)
            if not topic.endswith(OUTLOOK_TOPIC):
                self._limit.sent(at_ms)
        self._limit.passed(now_ms)
