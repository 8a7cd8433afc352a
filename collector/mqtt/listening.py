"""Listening to a broker for a while, without disturbing the collector's own session there."""

from __future__ import annotations

import ssl
import threading
import time
from collections.abc import Callable, Iterable
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.reasoncodes import ReasonCode

from collector.config.settings import Broker
from forecaster.domain.errors import SessionError

ANSWER_S = 10.0
Heard = Callable[[str, bytes, bool], None]
"""Called with topic, payload and whether the broker sent it from memory."""


def listen(broker: Broker, filters: Iterable[str], listen_s: float, heard: Heard) -> dict[str, str]:
    """Connect under a passing name, hand over what comes for `listen_s` seconds, go again.

    Returns the filters that the broker refuses, each with its reason.
    Errors: SessionError where no broker answers or it refuses us; ConfigError for unreadable secrets.
    """
    listener = _Listener(broker, tuple(dict.fromkeys(filters)), heard)
    protocols = (mqtt.MQTTv311,) if broker.embedded else (mqtt.MQTTv5, mqtt.MQTTv311)
    for place, protocol in enumerate(protocols):
        try:
            return listener.listen(protocol, listen_s)
        except SessionError:
            if place == len(protocols) - 1 or not listener.hung_up:
                raise
    raise SessionError("no protocol to speak with the broker")


class _Listener:
    def __init__(self, broker: Broker, filters: tuple[str, ...], heard: Heard) -> None:
        self._broker, self._filters, self._heard = broker, filters, heard
        self.hung_up = False

    def listen(self, protocol: int, listen_s: float) -> dict[str, str]:
        """One try with one protocol version."""
        broker, answered, problem, refused = self._broker, threading.Event(), [""], dict[str, str]()
        client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion(protocol))
        if broker.user is not None:
            client.username_pw_set(broker.user, broker.password())
        if broker.tls:
            client.tls_set_context(ssl.create_default_context(cafile=str(broker.ca_file) if broker.ca_file else None))

        def on_connect(_c: Any, _u: Any, _f: Any, reason: ReasonCode, _p: Any) -> None:
            if reason.is_failure:
                problem[0] = f"the broker refuses us ({reason}); look at username and password_file"
            elif self._filters:
                client.subscribe([(f, 1) for f in self._filters])
            answered.set()

        def on_disconnect(_c: Any, _u: Any, _f: Any, reason: ReasonCode, _p: Any) -> None:
            if not answered.is_set():
                self.hung_up = True
                problem[0] = f"the broker hangs up before it answers ({reason})"
            answered.set()

        def on_subscribe(_c: Any, _u: Any, _m: int, reasons: list[ReasonCode], _p: Any) -> None:
            refused.update({f: str(r) for f, r in zip(self._filters, reasons, strict=False) if r.is_failure})

        def on_message(_c: Any, _u: Any, message: mqtt.MQTTMessage) -> None:
            try:
                topic = message.topic
            except UnicodeDecodeError:
                return  # no filter of ours can mean a topic that is not text
            self._heard(topic, bytes(message.payload), message.retain)

        client.on_connect, client.on_disconnect = on_connect, on_disconnect
        client.on_subscribe, client.on_message = on_subscribe, on_message
        try:
            client.connect(broker.host, broker.port, broker.keepalive_s)
        except OSError as error:
            where = f"{broker.host}:{broker.port}"
            raise SessionError(f"no broker answers at {where} ({error.strerror or error})") from error
        client.loop_start()
        try:
            if not answered.wait(ANSWER_S):
                raise SessionError("the broker takes the connection but does not answer; is it an MQTT broker?")
            if problem[0]:
                raise SessionError(problem[0])
            time.sleep(listen_s)
        finally:
            client.disconnect()
            client.loop_stop()
        return refused
