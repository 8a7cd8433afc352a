"""The demo: simulated cellars that publish MQTT messages in time-lapse, and the whole installation listening."""

from __future__ import annotations

import threading
import time
from dataclasses import dataclass, replace
from pathlib import Path

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from api.embedded import free_port
from api.process import EVERYTHING, Process
from collector.payload import Decoder
from collector.settings import load_installation, site_toml
from collector.store.open import open_store
from forecaster.domain.errors import ConfigError
from forecaster.domain.readings import Reading
from forecaster.domain.site import Site
from forecaster.twin.live import LiveSite, Scenario

HISTORY_H = 12.0
LEAD_S = 30.0
STEP_S = 0.1
BATCH = 5_000


class LapseClock:
    """Time-lapse: wall time runs `speed` times as fast from a start; durations stay real."""

    def __init__(self, start_ms: int, speed: float) -> None:
        self._start_ms, self._speed = start_ms, speed
        self._from_s = time.monotonic()

    def now_ms(self) -> int:
        """Simulated UTC milliseconds."""
        return self._start_ms + round((time.monotonic() - self._from_s) * self._speed * 1000.0)

    def monotonic_s(self) -> float:
        """Real seconds."""
        return time.monotonic()

    def restart(self) -> None:
        """Begin again at the start."""
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


class Demo:
    """A demo in a folder of its own. prepare(), then run() until ctrl-C."""

    def __init__(self, folder: Path, *, speed: float, seed: int, port: int, start_ms: int | None = None) -> None:
        self._folder = folder
        now_ms = time.time_ns() // 1_000_000 if start_ms is None else start_ms
        self.port = port or free_port()
        self.fails_in_s = LEAD_S
        self._clock = LapseClock(now_ms, speed)
        history_s = HISTORY_H * 3_600.0
        self._cellars = cellars(seed, now_ms - round(history_s * 1000.0), history_s + LEAD_S * speed)
        self._process: Process | None = None
        self._ending = threading.Event()
        self._publisher = threading.Thread(target=self._publish, name="cellars", daemon=True)
        self._broker_port = free_port()
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
                raise ConfigError("demo", "broker", self._problem, "try again")

    def end(self) -> None:
        """Ask it to end."""
        if self._process is not None:
            self._process.end()

    # -- the cellars' side of the broker
    def _publish(self) -> None:
        client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="cellars", protocol=mqtt.MQTTv311)
        if not self._connected(client):
            self._problem = "the embedded broker did not answer"
            self.end()
            return
        client.loop_start()
        while not self._ending.wait(STEP_S):
            for cellar in self._cellars:
                self._pass_time(client, cellar)
        client.disconnect()
        client.loop_stop()

    def _connected(self, client: mqtt.Client) -> bool:
        for _ in range(100):
            try:
                client.connect("127.0.0.1", self._broker_port)
            except OSError:
                if self._ending.wait(0.1):
                    return True
            else:
                return True
        return False

    def _pass_time(self, client: mqtt.Client, cellar: Cellar) -> None:
        ahead_s = (self._clock.now_ms() - cellar.live.now_ms) / 1000.0
        if ahead_s <= 0.0:
            return
        for message in cellar.live.step(ahead_s):
            client.publish(cellar.prefix + message.topic, message.payload, qos=1)
