"""Listening to a broker for a while, without disturbing the collector's own session: for `check` and for set-up."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterable
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.reasoncodes import ReasonCode

from collector.config.settings import Broker
from collector.mqtt.connection import CONNECT_S, client, passing_name, why_not
from collector.mqtt.wire import Client
from forecaster.domain.errors import SessionError
from forecaster.texts.catalogue import words

LOOK_S = 0.2
"""How often it is checked whether enough was heard [s]."""

Heard = Callable[[str, bytes, bool], None]
"""Called on the network thread with topic, payload, and whether the message was a retained one."""


def listen(
    broker: Broker, filters: Iterable[str], listen_s: float, heard: Heard, enough: Callable[[], bool] | None = None
) -> dict[str, str]:
    """Connect with a temporary client id and hand over messages for `listen_s` seconds or until it is enough.

    Returns the filters that the broker refuses, each with its reason.
    Errors: SessionError where no broker answers or it refuses us; ConfigError for unreadable secrets or certificates.
    """
    listener = _Listener(broker, tuple(dict.fromkeys(filters)), heard)
    protocols = (mqtt.MQTTv311,) if broker.embedded else (mqtt.MQTTv5, mqtt.MQTTv311)
    for place, protocol in enumerate(protocols):
        try:
            return listener.listen(protocol, listen_s, enough)
        except SessionError:
            if place == len(protocols) - 1 or not listener.hung_up:
                raise
    raise SessionError(words()("broker.no_protocol_to_speak_with_the"))


class _Listener:
    def __init__(self, broker: Broker, filters: tuple[str, ...], heard: Heard) -> None:
        self._broker, self._filters, self._heard = broker, filters, heard
        self._answered = threading.Event()
        self._problem: str | None = None
        self._refused: dict[str, str] = {}
        self.hung_up = False

    def listen(self, protocol: int, listen_s: float, enough: Callable[[], bool] | None) -> dict[str, str]:
        """One attempt with one protocol version."""
        self._answered, self._problem, self._refused = threading.Event(), None, {}
        listener = self._client(protocol)
        try:
            listener.connect(self._broker.host, self._broker.port, self._broker.keepalive_s)
        except OSError as error:
            raise SessionError(why_not(self._broker, error)) from error
        listener.loop_start()
        try:
            if not self._answered.wait(CONNECT_S):
                raise SessionError(words()("broker.the_broker_takes_the_connection_but"))
            if self._problem is not None:
                raise SessionError(self._problem)
            _wait(listen_s, enough)
        finally:
            listener.leave()
        return self._refused

    def _client(self, protocol: int) -> Client:
        listener = client(self._broker, passing_name(), protocol, reconnects=False)

        def on_connect(made: mqtt.Client, _u: Any, _f: Any, reason: ReasonCode, _p: Any) -> None:
            if reason.is_failure:
                self._problem = words()("broker.the_broker_refuses_us_look_at", reason=reason)
            elif self._filters:
                made.subscribe([(f, 1) for f in self._filters])
                return  # answered when the broker has taken the filters
            self._answered.set()

        def on_disconnect(_c: Any, _u: Any, _f: Any, reason: ReasonCode, _p: Any) -> None:
            if not self._answered.is_set():
                self.hung_up = True
                self._problem = words()("broker.the_broker_hangs_up_before_it", reason=reason)
            self._answered.set()

        def on_subscribe(_c: Any, _u: Any, _m: int, reasons: list[ReasonCode], _p: Any) -> None:
            self._refused = {f: str(r) for f, r in zip(self._filters, reasons, strict=False) if r.is_failure}
            self._answered.set()

        def on_message(_c: Any, _u: Any, message: mqtt.MQTTMessage) -> None:
            try:
                topic = message.topic
            except UnicodeDecodeError:
                return  # no filter of ours can mean a topic that is not text
            self._heard(topic, bytes(message.payload), message.retain)

        listener.on_connect, listener.on_disconnect = on_connect, on_disconnect
        listener.on_subscribe, listener.on_message = on_subscribe, on_message
        return listener


def _wait(listen_s: float, enough: Callable[[], bool] | None) -> None:
    """Wait for some time [s], or until it is enough."""
    until_s = time.monotonic() + listen_s
    while (left_s := until_s - time.monotonic()) > 0.0 and not (enough is not None and enough()):
        time.sleep(left_s if enough is None else min(LOOK_S, left_s))
