"""The program starts and forecasts, as somebody types it: `run` with its own broker, `simulate` and `replay`."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
from datetime import datetime
from pathlib import Path

import httpx
import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from tests.engines import ROOT, answers, free_port, wait_until

OUTLAST = (sys.executable, "-W", "default::ResourceWarning", "-m", "api")
"""As the command `outlast`, with every file or connection left open told on stderr."""

MESSAGES = 2_000
"""So much of a log is replayed."""

SITE = """
id = "larkspur"
name = "Larkspur Lane cellar"
timezone = "America/Chicago"

[pump]
rated_voltage_v = 115
rated_current_a = 5.2

[pack]
capacity_wh = 1024

[[channels]]
quantity = "pump_power"
topic = "cellar/plug/state"
value = "$.power"
unit = "W"
"""


def told(*words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([*OUTLAST, *words], cwd=ROOT, capture_output=True, text=True, check=False)


def served(address: str) -> bool:
    """Whether the address is answered with 200; the server may still be starting."""
    try:
        return httpx.get(address, timeout=60.0).status_code == 200
    except httpx.TransportError:
        return False


def test_run_starts_forecasts_what_arrives_and_ends_cleanly(tmp_path: Path) -> None:
    broker, port = free_port(), free_port()
    (tmp_path / "sites").mkdir()
    (tmp_path / "sites" / "larkspur.toml").write_text(SITE, encoding="utf-8")
    (tmp_path / "outlast.toml").write_text(
        f'[broker]\nurl = "embedded"\nlisten_port = {broker}\n[http]\nport = {port}\n', encoding="utf-8"
    )
    said = tmp_path / "said.txt"
    with said.open("w") as out:
        running = subprocess.Popen(
            [*OUTLAST, "run", "--config", str(tmp_path)], cwd=ROOT, stdout=out, stderr=subprocess.STDOUT
        )
    try:
        wait_until(lambda: running.poll() is not None or (answers(broker) and answers(port)), "outlast run", 300.0)
        assert running.poll() is None, said.read_text()
        plug = mqtt.Client(CallbackAPIVersion.VERSION2)
        plug.connect("127.0.0.1", broker)
        plug.loop_start()
        for watts in (0.0, 480.0, 0.0):
            plug.publish("cellar/plug/state", json.dumps({"power": watts}), qos=1).wait_for_publish(60.0)
        address = f"http://127.0.0.1:{port}/api/v1/sites/larkspur/forecast"
        wait_until(lambda: served(address), "a forecast", 300.0)
        forecast = httpx.get(address, timeout=60.0).json()
        plug.disconnect()
        plug.loop_stop()
        running.send_signal(signal.SIGTERM)
        assert running.wait(timeout=120.0) == 0
    finally:
        running.kill()
        running.wait()
    hours = forecast["hours_remaining"]
    assert 0.0 < hours["p10"] <= hours["p50"]
    assert forecast["site"] == "larkspur"
    assert "Traceback" not in said.read_text()
    assert "ResourceWarning" not in said.read_text()


@pytest.mark.slow
def test_a_simulated_log_is_replayed_into_forecasts(tmp_path: Path) -> None:
    written = told("simulate", str(tmp_path), "--seed", "7")
    assert (written.returncode, written.stderr) == (0, "")
    whole = (tmp_path / "log.jsonl").read_text(encoding="utf-8").splitlines(keepends=True)
    (tmp_path / "beginning.jsonl").write_text("".join(whole[:MESSAGES]), encoding="utf-8")
    at = json.loads(whole[MESSAGES - 1])["tst"].replace("Z+0000", "Z")
    replayed = told("replay", "--site", str(tmp_path / "site.toml"), "--at", at, str(tmp_path / "beginning.jsonl"))
    assert (replayed.returncode, replayed.stderr) == (0, "")
    (document,) = map(json.loads, replayed.stdout.splitlines())
    assert datetime.fromisoformat(document["issued_at"]) == datetime.fromisoformat(at)
    assert document["hours_remaining"]["p10"] is not None
