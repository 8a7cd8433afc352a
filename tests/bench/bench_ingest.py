"""Durable ingest through a real broker against a bare paho loop, decoding alone, and pictures of a year."""

from __future__ import annotations

import tempfile
import threading
import time
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from collector.clock import SystemClock
from collector.collector import Collector
from collector.config.settings import Installation, load_installation
from collector.decode.payload import Decoder
from collector.store.open import open_ledger, open_store
from forecaster.domain.quantities import Quantity
from forecaster.domain.readings import Reading
from tests.bench import Figure
from tests.collector.examples import installation_in
from tests.engines import wait_until
from tests.servers import Mosquitto, running_mosquitto

MESSAGES = 30_000
START_S = 1_772_510_700
YEAR_S = 365 * 86_400
FILTER = "cellar/#"


def burst() -> list[tuple[str, bytes]]:
    """A plug's messages, one a second."""
    return [
        ("cellar/plug/state", b'{"power":%r,"voltage":115.2,"time":%d}' % (float(i % 500), START_S + i))
        for i in range(MESSAGES)
    ]


def bare_loop(broker: Mosquitto, client_id: str, first: bool) -> float:
    """A paho client that receives and acknowledges, and does nothing else. Returns messages a second."""
    untyped: Any = Properties
    asked = untyped(PacketTypes.CONNECT)
    asked.SessionExpiryInterval, asked.ReceiveMaximum = 3600, 2000
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=client_id, protocol=mqtt.MQTTv5, manual_ack=True)
    times: list[float] = []
    ready = threading.Event()

    def on_connect(*_: Any) -> None:
        client.subscribe(FILTER, qos=1)

    def on_message(_c: Any, _u: Any, message: mqtt.MQTTMessage) -> None:
        times.append(time.perf_counter())
        client.ack(message.mid, message.qos)

    client.on_connect, client.on_message = on_connect, on_message
    client.on_subscribe = lambda *_: ready.set()
    client.connect("127.0.0.1", broker.port, clean_start=False, properties=asked)
    client.loop_start()
    assert ready.wait(10)
    if not first:
        wait_until(lambda: len(times) >= MESSAGES, "the bare loop", 120)
    client.disconnect()
    client.loop_stop()
    return 0.0 if first else (len(times) - 1) / (times[-1] - times[0])


def collecting(installation: Installation, count: int) -> float:
    """The collector, from its first message to the last durable one. Returns messages a second."""
    store, ledger = open_store(installation.readings_url), open_ledger(installation.ledger_url)
    marks: list[tuple[float, int]] = []

    def committed() -> None:
        marks.append((time.perf_counter(), collector.state().messages))

    collector = Collector(installation, store, ledger, SystemClock(), committed)
    started = time.perf_counter()
    collector.start()
    wait_until(lambda: collector.state().connected, "the collector", 20)
    wait_until(lambda: collector.state().messages >= count, "every message", 120)
    finished = time.perf_counter()
    stored = store.count()
    collector.stop()
    store.close()
    ledger.close()
    assert stored >= count
    return count / (finished - (marks[0][0] if marks else started)) if count else 0.0


def ingest() -> list[Figure]:
    """Both loops drain the same queue at the same broker, one after the other."""
    with tempfile.TemporaryDirectory() as name, running_mosquitto(Path(name) / "broker", persistent=False) as broker:
        folder = installation_in(Path(name) / "house", broker.url)
        installation = load_installation(folder)
        collecting(installation, 0)
        bare_loop(broker, "bare", first=True)
        broker.publish(burst())
        bare = bare_loop(broker, "bare", first=False)
        durable = collecting(installation, MESSAGES)
    return [
        Figure("durable ingest through mosquitto, QoS 1", durable, "messages/s", ">= 10000"),
        Figure("durable ingest, as a share", durable / bare, "ratio", ">= 0.6", f"a bare paho loop, {bare:.0f}/s"),
    ]


def decoding() -> list[Figure]:
    """Decoding alone, by processor time."""
    with tempfile.TemporaryDirectory() as name:
        decoder = Decoder(load_installation(installation_in(Path(name))).sites.values())
    messages = burst()
    best = float("inf")
    for _ in range(3):
        started = time.process_time()
        for topic, payload in messages:
            decoder.decode(topic, payload, START_S * 1000 + MESSAGES * 1000)
        best = min(best, (time.process_time() - started) / len(messages))
    return [Figure("decoding one message", best * 1e6, "us of processor", "<= 8")]


def pictures() -> list[Figure]:
    """A year of 10 s readings in the embedded store: filled, pictured, weighed."""
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "year.db"
        store = open_store(f"sqlite:///{path}")
        started, batch, count = time.perf_counter(), 20_000, YEAR_S // 10
        for begin in range(0, count, batch):
            store.append(
                [
                    Reading("larkspur", Quantity.PUMP_POWER, (START_S + 10 * i) * 1000, 480.0 * (i % 18 == 0), START_S)
                    for i in range(begin, min(count, begin + batch))
                ]
            )
        filled_s = time.perf_counter() - started
        span = (START_S * 1000, (START_S + YEAR_S) * 1000)
        waits = []
        for _ in range(5):
            started = time.perf_counter()
            found = store.series("larkspur", Quantity.PUMP_POWER, *span, 1000)
            waits.append(time.perf_counter() - started)
        assert sum(p.count for p in found) == count
        assert all(p.high == 480.0 for p in found), "a 10 s run is not seen"
        store.close()
        row = path.stat().st_size / count
    return [
        Figure("picture of a year of 10 s readings", sorted(waits)[2] * 1e3, "ms", "<= 200"),
        Figure("embedded store, filling", count / filled_s, "readings/s"),
        Figure("embedded store, a reading on disk", row, "bytes"),
    ]


def run() -> list[Figure]:
    """Everything of this topic."""
    return [*ingest(), *decoding(), *pictures()]
