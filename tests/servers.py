"""Real brokers for tests: mosquitto on a free port with its files in a folder, to be stopped, killed and started."""

from __future__ import annotations

import signal
import subprocess
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from tests.engines import PATIENCE_S, answers, free_port, wait_until

QUEUES = "max_queued_messages 0\nmax_inflight_messages 1000\n"
"""As the shipped configuration: nothing is dropped by count."""

CHUNK = 500
"""Messages published before waiting for the broker: the client looks through all that wait at every answer."""


@dataclass
class Mosquitto:
    """A mosquitto of its own.

    persistent : bool — keeps sessions and queues over a restart
    more : str — further lines of configuration
    anonymous : bool — whether clients may come without a name
    autosave : int — changes after which what is persistent is written; all of it each time
    """

    folder: Path
    persistent: bool = True
    more: str = QUEUES
    anonymous: bool = True
    autosave: int = 200
    port: int = field(default_factory=free_port)
    server: subprocess.Popen[bytes] | None = None

    @property
    def url(self) -> str:
        """Where it listens."""
        return f"mqtt://127.0.0.1:{self.port}"

    def start(self) -> None:
        """Start, and wait until it listens."""
        self.folder.mkdir(parents=True, exist_ok=True)
        kept = (
            f"persistence true\npersistence_location {self.folder}/\nautosave_on_changes true\n"
            f"autosave_interval {self.autosave}\n"
        )
        config = self.folder / "mosquitto.conf"
        config.write_text(
            f"listener {self.port} 127.0.0.1\nallow_anonymous {str(self.anonymous).lower()}\nuser root\n{self.more}"
            + (kept if self.persistent else "persistence false\n"),
            encoding="utf-8",
        )
        with (self.folder / "mosquitto.log").open("ab") as log:
            self.server = subprocess.Popen(["mosquitto", "-c", str(config)], stdout=log, stderr=log)
        wait_until(lambda: answers(self.port), "mosquitto")

    def stop(self) -> None:
        """Stop in order; what is persistent is written."""
        self._end(signal.SIGTERM)

    def kill(self) -> None:
        """Stop as a power cut would."""
        self._end(signal.SIGKILL)

    def _end(self, how: signal.Signals) -> None:
        if self.server is not None:
            self.server.send_signal(how)
            self.server.wait(PATIENCE_S)
            self.server = None

    def publish(self, messages: Sequence[tuple[str, bytes]], *, qos: int = 1, retain: bool = False) -> None:
        """Publish over one connection; returns when the broker has taken all (QoS 1)."""
        client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
        client.max_inflight_messages_set(CHUNK)
        connected = threading.Event()
        client.on_connect = lambda *_: connected.set()
        client.connect("127.0.0.1", self.port)
        client.loop_start()
        assert connected.wait(PATIENCE_S)
        for start in range(0, len(messages), CHUNK):
            sent = [client.publish(topic, body, qos, retain) for topic, body in messages[start : start + CHUNK]]
            for info in sent:
                info.wait_for_publish(PATIENCE_S)
                assert info.is_published()
        client.disconnect()
        client.loop_stop()


@contextmanager
def running_mosquitto(
    folder: Path, *, persistent: bool = True, more: str = QUEUES, autosave: int = 200
) -> Iterator[Mosquitto]:
    """A mosquitto that runs while the block does."""
    made = Mosquitto(folder, persistent, more, autosave=autosave)
    try:
        made.start()
        yield made
    finally:
        made.kill()


@pytest.fixture
def mosquitto(tmp_path: Path) -> Iterator[Mosquitto]:
    """A persistent mosquitto for one test."""
    with running_mosquitto(tmp_path / "mosquitto") as made:
        yield made


def eventually(true: Callable[[], bool], what: str, limit_s: float = PATIENCE_S) -> None:
    """Wait until something is so; AssertionError when it does not come about."""
    wait_until(true, what, limit_s)
