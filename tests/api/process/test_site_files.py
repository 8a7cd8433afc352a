"""Site files taken up, changed, mended and removed while one `outlast run` goes: no restart, and no message lost."""

from __future__ import annotations

import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import httpx
import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from collector.mqtt.embedded import free_port
from tests.api.http.test_stream import wait_ready
from tests.collector.examples import LARKSPUR
from tests.collector.mqtt.test_embedded import embedded_in
from tests.collector.test_collector import open_readings_of, plug
from tests.engines import wait_until

PROGRAM = """
import sys
from api.cli import main
code = main(sys.argv[1:])
print("heavy imports:", sorted({"pandas", "pvlib", "scipy.stats", "statsmodels"} & set(sys.modules)))
sys.exit(code)
"""
PAGES = ("", "sites/larkspur", *(f"sites/larkspur/{page}" for page in ("history", "telemetry", "outages", "alarms")),
         "sites/larkspur/discharge", "sites/larkspur/sizing", "sizing", "setup", "metrics")  # fmt: skip
PATIENCE_S = 60.0
PAUSE_S = 0.02
SITE = LARKSPUR.partition("[[contacts]]")[0]
SPAN = {"from": "2026-03-01T00:00:00Z", "to": "2026-04-01T00:00:00Z"}


class RunningInstallation:
    """A running installation, and a hub that publishes the cellar's power all the while."""

    def __init__(self, folder: Path) -> None:
        self.port, self.base = free_port(), f"http://127.0.0.1:{free_port()}"
        self.folder = embedded_in(folder, self.port, f"[http]\nport = {self.base.rpartition(':')[2]}\n")
        self.write("larkspur", SITE)
        self._log = folder / "said.txt"
        with self._log.open("wb") as log:
            self.server = subprocess.Popen(
                [sys.executable, "-c", PROGRAM, "run", "--config", str(self.folder)], stdout=log, stderr=log
            )
        self.sent = 0
        self._ending = threading.Event()
        self._hub = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="hub", protocol=mqtt.MQTTv311)
        self._sender = threading.Thread(target=self._send)

    def begin(self) -> None:
        """Wait until it serves, and publish from then on."""
        wait_ready(self.base)
        wait_until(lambda: self.sites() == ["larkspur"], "the first site", PATIENCE_S)
        self._hub.connect("127.0.0.1", self.port)
        self._hub.loop_start()
        self._sender.start()

    def _send(self) -> None:
        while not self._ending.wait(PAUSE_S):
            self.say(*plug(self.sent))
            self.sent += 1

    def say(self, topic: str, payload: bytes) -> None:
        """Publish one message, and wait until the broker has taken it."""
        self._hub.publish(topic, payload, qos=1).wait_for_publish(PATIENCE_S)

    def sites(self) -> list[str]:
        return sorted(site["id"] for site in httpx.get(f"{self.base}/api/v1/sites", timeout=60).json()["sites"])

    def write(self, site: str, text: str) -> None:
        (self.folder / "sites" / f"{site}.toml").write_text(text, encoding="utf-8")

    def until(self, true: Callable[[], bool], what: str) -> None:
        wait_until(true, what, PATIENCE_S)

    def hush(self) -> None:
        """Publish no more."""
        self._ending.set()
        self._sender.join()
        self._hub.disconnect()
        self._hub.loop_stop()

    def end(self) -> str:
        """End it; what it said."""
        self.server.terminate()
        assert self.server.wait(PATIENCE_S) == 0, self.said()
        return self.said()

    def said(self) -> str:
        """What it has said so far."""
        return self._log.read_text(encoding="utf-8")


@pytest.fixture
def running(tmp_path: Path) -> Iterator[RunningInstallation]:
    made = RunningInstallation(tmp_path)
    try:
        yield made
    finally:
        made.server.kill()
        made.server.wait()


def nine(topic: str) -> str:
    """A neighbour's site file, its plug under another topic."""
    return SITE.replace("cellar/", topic).replace('id = "larkspur"', 'id = "nine"')


@pytest.mark.slow
def test_site_files_come_change_and_go_and_no_message_is_lost(running: RunningInstallation) -> None:
    running.begin()
    running.write("nine", nine("nine/"))
    running.until(lambda: running.sites() == ["larkspur", "nine"], "the new site")
    running.until(lambda: _told(running, "nine/plug/state", 101.0), "its first reading")
    running.write("nine", nine("ninth/"))
    running.until(lambda: _told(running, "ninth/plug/state", 202.0), "a reading under the new topic")
    running.write("nine", nine("tenth/") + "\n[[[")
    running.until(lambda: "set aside: " in running.said(), "the broken file being told")
    running.until(
        lambda: _told(running, "ninth/plug/state", 303.0), "the old file in force while the new one is broken"
    )
    running.write("nine", nine("tenth/"))
    running.until(lambda: _told(running, "tenth/plug/state", 404.0), "the mended file")
    (running.folder / "sites" / "nine.toml").unlink()
    running.until(lambda: running.sites() == ["larkspur"], "the site being gone")
    assert httpx.get(f"{running.base}/api/v1/sites/nine", timeout=60).status_code == 404
    assert httpx.get(f"{running.base}/readyz", timeout=60).status_code == 200
    for page in PAGES:
        assert httpx.get(f"{running.base}/{page}", timeout=60).status_code == 200, page
    running.hush()
    said = running.end()
    assert "Traceback" not in said
    assert "heavy imports: []" in said, "the long record's libraries belong into processes of their own"
    with open_readings_of(running.folder) as store:
        assert running.sent > 100
        assert store.count("larkspur") == running.sent, said


def _told(running: RunningInstallation, topic: str, power: float) -> bool:
    """Say a power on a topic of the neighbour's, and look whether it has come through."""
    running.say(topic, plug(running.sent, power)[1])
    asked = {"quantity": "pump_power", **SPAN}
    answer = httpx.get(f"{running.base}/api/v1/sites/nine/readings", params=asked, timeout=60)
    return answer.status_code == 200 and any(point["high"] == power for point in answer.json()["points"])
