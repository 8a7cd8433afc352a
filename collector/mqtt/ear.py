"""Listens to a broker for a while, without leaving a session there: for `outlast check` and the set-up page."""

from __future__ import annotations

import secrets
import ssl
import threading
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.reasoncodes import ReasonCode

from collector.config.settings import Broker
from forecaster.domain.errors import SessionError

CONNECT_S = 10.0


@dataclass(frozen=True, slots=True)
class HeardMessage:
    """A message as it came."""

    topic: str
    payload: bytes
    retained: bool
    at_ms: int


class Listener:
    """Hears what matches some filters. Use it as a context; SessionError where the broker refuses."""

    def __init__(self, broker: Broker, filters: Iterable[str], now_ms: Callable[[], int], limit: int = 20_000) -> None:
        self._broker, self._filters, self._now_ms, self._limit = broker, sorted(set(filters)), now_ms, limit
        self._answer = threading.Event()
        self._problem: str | None = None
        self._heard: list[HeardMessage] = []
        self.refused_filters: list[str] = []
        self._client = mqtt.Client(
            CallbackAPIVersion.VERSION2, client_id=f"outlast-ear-{secrets.token_hex(4)}", protocol=mqtt.MQTTv311
        )
        self._client.on_connect, self._client.on_message = self._on_connect, self._on_message
        self._client.on_subscribe = self._on_subscribe

    def __enter__(self) -> Listener:
        broker = self._broker
        if broker.user is not None:
            self._client.username_pw_set(broker.user, broker.password())
        where = f"{broker.host}:{broker.port}"
        try:
            if broker.tls:
                ca_file = None if broker.ca_file is None else str(broker.ca_file)
                self._client.tls_set_context(ssl.create_default_context(cafile=ca_file))
            self._client.connect(broker.host, broker.port, keepalive=30)
        except (OSError, ValueError) as error:
            raise SessionError(f"no broker answers at {where}: {error}; look at [broker] url and ca_file") from error
        self._client.loop_start()
        if not self._answer.wait(CONNECT_S):
            self._problem = "it does not answer"
        if self._problem is not None:
            self._close()
            raise SessionError(f"the broker at {where} refuses: {self._problem}; look at [broker] in outlast.toml")
        return self

    def __exit__(self, *_: object) -> None:
        self._close()

    def _close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def listen(self, seconds: float, enough: Callable[[list[HeardMessage]], bool] | None = None) -> list[HeardMessage]:
        """What was heard within some seconds, or until it is enough."""
        until_s = time.monotonic() + seconds
        while time.monotonic() < until_s and not (enough is not None and enough(list(self._heard))):
            time.sleep(min(0.5, seconds / 20))
        return list(self._heard)

    def _on_connect(self, client: mqtt.Client, _user: Any, _flags: Any, reason: ReasonCode, _properties: Any) -> None:
        if reason.is_failure:
            self._problem = str(reason)
            self._answer.set()
            return
        client.subscribe([(topic, 1) for topic in self._filters])

    def _on_subscribe(self, _client: Any, _user: Any, _mid: int, reasons: list[ReasonCode], _properties: Any) -> None:
        self.refused_filters = [f for f, reason in zip(self._filters, reasons, strict=False) if reason.is_failure]
        self._answer.set()

    def _on_message(self, _client: Any, _user: Any, message: mqtt.MQTTMessage) -> None:
        if len(self._heard) < self._limit:
            self._heard.append(HeardMessage(message.topic, bytes(message.payload), message.retain, self._now_ms()))
