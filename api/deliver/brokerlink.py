"""An outgoing broker connection that mends itself. Its callbacks only set flags and fill a bounded queue."""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import MQTTErrorCode

from api.deliver.outcome import Later, Outcome, Sent
from collector.config.settings import Broker
from collector.mqtt.connection import client
from forecaster.texts.catalogue import words

ANSWER_S = 10.0
FIRST_S = 3.0
LAST_S = 1.0
"""How long the last message waits for its acknowledgement [s]: a broker that hangs must not hold up the end."""
QUEUE = 1000


@dataclass(frozen=True, slots=True)
class Will:
    """The retained message that the broker publishes for us when the connection is lost."""

    topic: str
    payload: bytes
    qos: int


@dataclass(frozen=True, slots=True)
class InboundMessage:
    """A message that came in."""

    topic: str
    payload: bytes
    retained: bool


class BrokerLink:
    """One MQTT 3.1.1 connection, which every broker speaks.

    wanted : tuple[str, ...] — topic filters that are subscribed to after every connection
    Errors: ConfigError where password_file or ca_file cannot be read.
    """

    def __init__(self, broker: Broker, client_id: str, will: Will, wanted: tuple[str, ...] = ()) -> None:
        self._broker, self._wanted = broker, wanted
        self._heard: deque[InboundMessage] = deque(maxlen=QUEUE)
        self._lock = threading.Lock()
        self._connections = 0
        self._answered = 0
        self._refusal: str | None = None
        self._started = False
        self._accepted = threading.Event()
        self._client = client(broker, client_id)
        self._client.will_set(will.topic, will.payload, qos=will.qos, retain=True)
        self._client.reconnect_delay_set(min_delay=1, max_delay=30)
        self._client.on_connect = self._on_connect
        self._client.on_message = self._on_message

    def start(self) -> None:
        """Begin to connect. Call it once."""
        if not self._started:
            self._started = True
            self._client.connect_async(self._broker.host, self._broker.port, keepalive=self._broker.keepalive_s)
            self._client.loop_start()

    def await_first(self) -> None:
        """Wait a moment for the first connection: a start beside a running broker shall not begin with a failure."""
        self._accepted.wait(FIRST_S)

    @property
    def connected(self) -> bool:
        """Whether the broker has accepted us."""
        return bool(self._client.is_connected())

    def fresh(self) -> bool:
        """True once for every new connection: everything that is retained must then be published again."""
        with self._lock:
            if self._connections == self._answered or not self.connected:
                return False
            self._answered = self._connections
            return True

    def again(self) -> None:
        """Publishing everything again has failed: `fresh` shall be true once more."""
        with self._lock:
            self._answered = self._connections - 1

    def heard(self) -> list[InboundMessage]:
        """Messages that were received since the last call."""
        found = []
        while self._heard:
            found.append(self._heard.popleft())
        return found

    def publish(
        self, topic: str, payload: bytes, *, qos: int, retain: bool = True, within_s: float = ANSWER_S
    ) -> Outcome:
        """Publish and wait for the broker's acknowledgement, at most `within_s`."""
        return self.publish_all({topic: payload}, qos=qos, retain=retain, within_s=within_s)

    def publish_all(
        self, payloads: Mapping[str, bytes], *, qos: int, retain: bool = True, within_s: float = ANSWER_S
    ) -> Outcome:
        """Publish on several topics, then wait for the acknowledgement of each, at most `within_s`."""
        if not self.connected:
            return Later(
                words()(
                    "outcome.not_connected_to_the_broker", value="" if self._refusal is None else f": {self._refusal}"
                )
            )
        try:
            sent = [self._client.publish(topic, payloads[topic], qos=qos, retain=retain) for topic in payloads]
            for info in sent:
                if info.rc != MQTTErrorCode.MQTT_ERR_SUCCESS:
                    return Later(
                        words()("outcome.the_broker_connection_failed", error_string=mqtt.error_string(info.rc))
                    )
                info.wait_for_publish(within_s)
        except (ValueError, RuntimeError) as error:
            return Later(words()("outcome.the_broker_connection_failed_2", error=str(error)))
        if all(info.is_published() for info in sent):
            return Sent()
        return Later(words()("outcome.the_broker_did_not_acknowledge_within", within_s=within_s))

    def close(self, last: Will | None = None) -> None:
        """Publish the last message, if any, and disconnect."""
        if not self._started:
            return
        if last is not None:
            self.publish(last.topic, last.payload, qos=last.qos, within_s=LAST_S)
        self._client.leave()

    def _on_connect(self, made: mqtt.Client, _userdata: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        if reason.is_failure:
            self._refusal = str(reason)
            return
        self._refusal = None
        for topic in self._wanted:
            made.subscribe(topic, qos=1)
        with self._lock:
            self._connections += 1
        self._accepted.set()

    def _on_message(self, _client: mqtt.Client, _userdata: Any, message: mqtt.MQTTMessage) -> None:
        self._heard.append(InboundMessage(message.topic, bytes(message.payload), message.retain))
