"""A plain mosquitto for delivery tests, and a hub that listens on it."""

from __future__ import annotations

import subprocess
import threading
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from collector.config.settings import Broker
from tests.engines import PATIENCE_S, answers, free_port, wait_until


@dataclass
class Mosquitto:
    """One broker without persistence: a restart forgets every retained message."""

    folder: Path
    port: int = field(default_factory=free_port)
    server: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        config = self.folder / "mosquitto.conf"
        config.write_text(f"listener {self.port} 127.0.0.1\nallow_anonymous true\npersistence false\n")
        self.server = subprocess.Popen(
            ["mosquitto", "-c", str(config)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        wait_until(lambda: answers(self.port), "mosquitto")

    def stop(self) -> None:
        if self.server is not None:
            self.server.terminate()
            self.server.wait(PATIENCE_S)
            self.server = None

    @property
    def settings(self) -> Broker:
        return Broker(url=f"mqtt://127.0.0.1:{self.port}", keepalive_s=5)


class Hub:
    """Remembers the newest payload of every topic, and everything in order."""

    def __init__(self, port: int, *filters: str) -> None:
        self.now: dict[str, bytes] = {}
        self.all: list[tuple[str, bytes]] = []
        self.retained: set[str] = set()
        self.qos: dict[str, int] = {}
        self._ready = threading.Event()
        self._filters = filters
        self.client = mqtt.Client(CallbackAPIVersion.VERSION2)
        self.client.on_connect = self._on_connect
        self.client.on_subscribe = self._on_subscribe
        self.client.on_message = self._on_message
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()
        assert self._ready.wait(PATIENCE_S)

    def _on_connect(self, client: mqtt.Client, *_rest: Any) -> None:
        client.subscribe([(one, 2) for one in self._filters])

    def _on_subscribe(self, *_rest: Any) -> None:
        self._ready.set()

    def _on_message(self, _client: mqtt.Client, _userdata: Any, message: mqtt.MQTTMessage) -> None:
        self.now[message.topic] = bytes(message.payload)
        self.all.append((message.topic, bytes(message.payload)))
        self.qos[message.topic] = message.qos
        if message.retain:
            self.retained.add(message.topic)

    def say(self, topic: str, payload: bytes, *, retain: bool = False) -> None:
        self.client.publish(topic, payload, qos=1, retain=retain).wait_for_publish(10)

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()
        self.client.on_connect = self.client.on_subscribe = self.client.on_message = (
            None  # they know it: see Client.leave
        )
