"""A whole `outlast run`: from message to event stream, its memory with three sites, and what `--help` costs."""

from __future__ import annotations

import json
import signal
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from dataclasses import replace
from pathlib import Path

import httpx
import paho.mqtt.client as mqtt
import psutil
from paho.mqtt.enums import CallbackAPIVersion

from collector.config.settings import site_toml
from forecaster.domain.quantities import Quantity
from forecaster.twin.live import larkspur_site
from forecaster.twin.messages import payload_of
from tests.bench import Figure
from tests.engines import answers, free_port, wait_until

SITES = 3
MINUTE_S = 60.0
GAP_S = 0.05
PROGRAM = [sys.executable, "-c", "import sys; from api.cli import main; sys.exit(main(sys.argv[1:]))"]


def run() -> list[Figure]:
    """Start one, publish twenty messages a second for a minute, and listen."""
    with tempfile.TemporaryDirectory() as name:
        folder, broker, port = Path(name), free_port(), free_port()
        (folder / "sites").mkdir()
        (folder / "outlast.toml").write_text(
            f'[broker]\nurl = "embedded"\nlisten_port = {broker}\n[http]\nport = {port}\n', encoding="utf-8"
        )
        plain = larkspur_site()
        for number in range(SITES):
            channels = tuple(replace(c, topic=f"{number}/{c.topic}") for c in plain.channels)
            site = replace(plain, id=f"s{number}", channels=channels)
            (folder / "sites" / f"s{number}.toml").write_text(site_toml(site), encoding="utf-8")
        process = subprocess.Popen([*PROGRAM, "run", "--config", name], stdout=subprocess.DEVNULL)
        try:
            wait_until(lambda: answers(broker) and answers(port), "outlast run", 120.0)
            took_ms = _latencies(broker, port)
            memory_mb = psutil.Process(process.pid).memory_info().rss / 1e6
        finally:
            process.send_signal(signal.SIGTERM)
            process.wait(30)
    cuts = statistics.quantiles(took_ms, n=100)
    return [
        Figure("message to event stream, median", cuts[49], "ms"),
        Figure("message to event stream, 99th of 100", cuts[98], "ms"),
        Figure(f"memory of `outlast run`, {SITES} sites, after {MINUTE_S:g} s", memory_mb, "MB", "<= 200"),
        Figure("`outlast --help`, best of 5", min(_help_s() for _ in range(5)), "s", "<= 0.3"),
    ]


def _latencies(broker: int, port: int) -> list[float]:
    """Publish numbered values for a minute; from each being published to its event [ms]."""
    sent_s: dict[float, float] = {}
    took_ms: list[float] = []
    with httpx.stream("GET", f"http://127.0.0.1:{port}/api/v1/stream", timeout=30.0) as answer:
        sender = threading.Thread(target=_send, args=(broker, sent_s))
        sender.start()
        for line in answer.iter_lines():
            data = json.loads(line.removeprefix("data: ")) if line.startswith("data: {") else {}
            if data.get("quantity") == "pump_power" and data["value"] in sent_s:
                took_ms.append(1000.0 * (time.monotonic() - sent_s[data["value"]]))
            if not sender.is_alive():
                break
    return took_ms


def _send(broker: int, sent_s: dict[float, float]) -> None:
    client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv311)
    client.connect("127.0.0.1", broker)
    client.loop_start()
    for number in range(round(MINUTE_S / GAP_S)):
        value = float(number % 1_500)
        sent_s[value] = time.monotonic()
        body = payload_of(Quantity.PUMP_POWER, time.time_ns() // 1_000_000, value)
        client.publish(f"{number % SITES}/cellar/plug/pump_power", body, qos=1)
        time.sleep(GAP_S)
    client.disconnect()
    client.loop_stop()


def _help_s() -> float:
    started = time.monotonic()
    subprocess.run([*PROGRAM, "--help"], check=True, stdout=subprocess.DEVNULL)
    return time.monotonic() - started
