"""The broker session: persistent, acknowledged by hand, watched, and built anew whenever it breaks.

Every connection has a new client, so that an acknowledgement cannot reach a later connection, where the same packet
id means another message. Callbacks only record and enqueue; no work is done on the network thread.
"""

from __future__ import annotations

import logging
import queue
import threading
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from collector.backoff import Backoff
from collector.config.settings import Broker
from collector.mqtt.connection import CONNECT_S, client, why_not
from collector.mqtt.copies import MOST_NUMBERED, Copies
from collector.mqtt.wire import Arrived, Client
from forecaster.domain.errors import ConfigError, SessionError
from forecaster.domain.leases import always
from forecaster.domain.ports import Clock
from forecaster.texts.catalogue import words

log = logging.getLogger("outlast.session")

SETTLE_S = 2.0
"""How long disconnecting waits until the broker has received our acknowledgements [s]."""

NOBODYS_FILTER = "outlast/nobody/subscribes/to/this"
"""A filter that is unsubscribed from at the end: the answer proves that all earlier packets were received."""

RETRY_S = (0.5, 30.0)
RECEIVE_MAXIMUM = 2000
"""Most messages in flight to us, where the broker lets the client choose."""

PACKET_BYTES = 1 << 20
"""The largest packet that the broker may send us, where it lets us choose: four times what is read of a payload."""

RAPID_S, RAPID_COUNT = 60.0, 4
"""If so many connections are lost within this time, each soon after it opened, another client uses our id."""

Left = queue.SimpleQueue[int | None]
"""Packet ids of the unsubscriptions that the broker has answered on one connection; None: the connection is lost."""

UNSUPPORTED_VERSION = 132
TAKEN_OVER = 142


@dataclass(slots=True)
class SessionState:
    """The state of the session: connected, its protocol, what is wrong (None: nothing), and counts."""

    connected: bool = False
    protocol: str = "5"
    problem: str | None = None
    connections: int = 0
    refused_filters: dict[str, str] = field(default_factory=dict)
    lost_s: list[float] = field(default_factory=list)


class Session:
    """Keeps one session at a broker and hands over its messages.

    broker : Broker; client_id : str — stable, or the broker forgets what waits for us
    filters : what to subscribe to; dropped : filters of an earlier configuration to leave
    arrived : called on the network thread for every message; only enqueues. False: it cannot take more now
    subscribed : called when the broker has taken every filter
    leased : tells whether the session is still this client's; while it may be another's, no connection is opened
    """

    def __init__(
        self,
        broker: Broker,
        client_id: str,
        filters: Iterable[str],
        dropped: Iterable[str],
        clock: Clock,
        arrived: Callable[[Arrived], bool],
        subscribed: Callable[[], None],
        leased: Callable[[], bool] = always,
    ) -> None:
        self._leased = leased
        self._broker, self._client_id, self._clock = broker, client_id, clock
        self._filters, self._dropped = tuple(filters), tuple(dropped)
        self._arrived, self._subscribed = arrived, subscribed
        self._protocol = mqtt.MQTTv311 if broker.embedded else mqtt.MQTTv5
        self._answered = self._down = threading.Event()
        self._refused = self._overfull = False
        self._asked: dict[int, str] = {}
        self._copies = Copies()
        self._stop = threading.Event()
        self._backoff = Backoff(*RETRY_S, client_id)
        self._thread = threading.Thread(target=self._work, name="session", daemon=True)
        self.state = SessionState(protocol=self._protocol_name())

    def start(self) -> None:
        """Begin to connect, and keep connected until stopped. ConfigError for an unreadable password or certificate."""
        self._made()
        self._thread.start()

    def prove(self) -> None:
        """ConfigError for an unreadable password or certificate."""
        self._made()

    def stop(self) -> None:
        """Disconnect. The session stays at the broker, which keeps the messages that come.

        When it returns, the broker has received all earlier acknowledgements and will not send those messages again.
        """
        self._stop.set()
        self._down.set()
        if self._thread.is_alive():
            self._thread.join(CONNECT_S + 5.0)

    def alive(self) -> bool:
        """Whether the session's thread runs."""
        return self._thread.is_alive()

    # -- the watching thread

    def _work(self) -> None:
        while not self._stop.is_set():
            if not self._leased():
                self._stop.wait(RETRY_S[0])
                continue
            stood_from = self._clock.monotonic_s()
            try:
                self._one_connection()
            except (OSError, ValueError, ConfigError, SessionError) as error:
                self._note(self._words(error))
            if self.state.connections and self._clock.monotonic_s() - stood_from > RETRY_S[1]:
                self._backoff.succeed()
            self._stop.wait(self._backoff.fail())

    def _one_connection(self) -> None:
        """Connect, stay until the connection is gone, clean up."""
        self._answered, self._down = threading.Event(), threading.Event()
        self._refused = self._overfull = False
        left: Left = queue.SimpleQueue()
        made = self._client(self._answered, self._down, left)
        try:
            self._connect(made)
            made.loop_start()
            if not self._answered.wait(CONNECT_S) and not self._down.is_set():
                raise SessionError(words()("broker.the_broker_took_the_connection_but"))
            stood_from_s = self._clock.monotonic_s()
            while not self._down.wait(1.0) and not self._stop.is_set():
                if self.state.connected and self._clock.monotonic_s() - stood_from_s > RAPID_S:
                    self._note(None)
                if not _loop_lives(self._client_id):
                    raise SessionError(words()("broker.the_network_thread_ended_by_itself"))
        finally:
            if self._stop.is_set() and self.state.connected:
                self._settle(made, left)
            self.state.connected = False
            made.leave()

    def _settle(self, made: Client, left: Left) -> None:
        """Wait until the broker has received our acknowledgements.

        A broker that finds the connection closed while it sends drops everything that it has not read yet, including
        acknowledgements. It reads in order, so the answer to one last request proves that it has read them.
        """
        _, asked = made.unsubscribe(NOBODYS_FILTER)
        try:
            while asked is not None and left.get(timeout=SETTLE_S) not in (asked, None):
                continue
        except queue.Empty:
            log.warning("the broker does not answer the goodbye; it may send again what is already stored")

    def _made(self) -> Client:
        return client(
            self._broker, self._client_id, self._protocol, keeps_session=True, manual_ack=True, reconnects=False
        )

    def _client(self, answered: threading.Event, down: threading.Event, left: Left) -> Client:
        made = self._made()

        def on_connect(_c: Any, _u: Any, _f: Any, reason: ReasonCode, _p: Any) -> None:
            self._on_connect(made, reason, down)
            answered.set()

        def on_disconnect(_c: Any, _u: Any, _f: Any, reason: ReasonCode, _p: Any) -> None:
            self._on_disconnect(reason)
            left.put(None)
            down.set()
            answered.set()

        def on_subscribe(_c: Any, _u: Any, mid: int, reasons: list[ReasonCode], _p: Any) -> None:
            self._on_subscribe(mid, reasons)

        def on_unsubscribe(_c: Any, _u: Any, mid: int, _r: Any, _p: Any) -> None:
            left.put(mid)

        def on_message(_c: Any, _u: Any, message: mqtt.MQTTMessage) -> None:
            self._on_message(made, message, down)

        made.on_connect, made.on_disconnect = on_connect, on_disconnect
        made.on_subscribe, made.on_unsubscribe, made.on_message = on_subscribe, on_unsubscribe, on_message
        return made

    def _connect(self, made: Client) -> None:
        broker = self._broker
        if self._protocol == mqtt.MQTTv5:
            untyped: Any = Properties
            asked = untyped(PacketTypes.CONNECT)
            asked.SessionExpiryInterval = broker.session_expiry_s
            asked.ReceiveMaximum = RECEIVE_MAXIMUM
            asked.MaximumPacketSize = PACKET_BYTES
            made.connect(broker.host, broker.port, broker.keepalive_s, clean_start=False, properties=asked)
        else:
            made.connect(broker.host, broker.port, broker.keepalive_s)

    # -- on the network thread: note and enqueue only

    def _on_connect(self, made: Client, reason: ReasonCode, down: threading.Event) -> None:
        if reason.is_failure:
            if self._protocol == mqtt.MQTTv5 and reason.value == UNSUPPORTED_VERSION:
                self._fall_back()
            else:
                self._refused = True
                self._note(words()("broker.the_broker_refuses_us_look_at_2", reason=reason))
            down.set()
            return
        self.state.connected = True
        self.state.connections += 1
        if self.state.problem is None or words()("broker.another_client") not in self.state.problem:
            self._note(None)
        for old in self._dropped:
            made.unsubscribe(old)
        if self._filters and self._protocol == mqtt.MQTTv5 and len(self._filters) <= MOST_NUMBERED:
            self._subscribe_numbered(made)
        elif self._filters and self._protocol == mqtt.MQTTv5:
            made.subscribe([(f, SubscribeOptions(qos=1)) for f in self._filters])
        elif self._filters:
            made.subscribe([(f, 1) for f in self._filters])
        else:
            self._subscribed()

    def _subscribe_numbered(self, made: Client) -> None:
        """Subscribe to each filter with an identifier of its own, by which copies of a message are recognised."""
        self._asked, self._copies = {}, Copies()
        for number, topic_filter in enumerate(self._filters, start=1):
            untyped: Any = Properties
            properties = untyped(PacketTypes.SUBSCRIBE)
            properties.SubscriptionIdentifier = number
            _, mid = made.subscribe(topic_filter, options=SubscribeOptions(qos=1), properties=properties)
            if mid is not None:
                self._asked[mid] = topic_filter

    def _on_disconnect(self, reason: ReasonCode) -> None:
        stood = self.state.connected
        self.state.connected = False
        if self._stop.is_set() or self._refused:
            return
        if not stood:
            if self._protocol == mqtt.MQTTv5 and self.state.connections == 0:
                self._fall_back()
            elif self.state.connections == 0:
                self._protocol = mqtt.MQTTv5
                self._note(words()("broker.the_broker_hangs_up_before_it_2"))
            return
        now_s = self._clock.monotonic_s()
        self.state.lost_s = [at for at in self.state.lost_s if now_s - at < RAPID_S] + [now_s]
        if reason.value == TAKEN_OVER:
            self._note(words()("broker.another_client_uses_our_client_id", client_id=self._client_id))
        elif len(self.state.lost_s) >= RAPID_COUNT:
            self._note(words()("broker.the_connection_to_the_broker_comes", reason=reason, client_id=self._client_id))
        else:
            self._note(words()("broker.the_connection_to_the_broker_was", reason=reason))

    def _on_subscribe(self, mid: int, reasons: list[ReasonCode]) -> None:
        """The broker's answer: for one filter where each was requested alone, else for all."""
        answered = [self._asked.pop(mid)] if mid in self._asked else list(self._filters)
        for topic_filter, reason in zip(answered, reasons, strict=False):
            self.state.refused_filters.pop(topic_filter, None)
            if reason.is_failure:
                self.state.refused_filters[topic_filter] = str(reason)
        if self._asked:
            return
        if self.state.refused_filters:
            log.error("the broker refuses to give us %s", self.state.refused_filters)
        else:
            self._dropped = ()
            self._subscribed()

    def _on_message(self, made: Client, message: mqtt.MQTTMessage, down: threading.Event) -> None:
        if self._overfull:
            return  # not acknowledged: the broker sends it again on the next connection
        try:
            topic = message.topic
        except UnicodeDecodeError:
            topic = "�"  # no channel takes it; it is acknowledged like any other
        mid = message.mid if message.qos else None
        payload = bytes(message.payload)
        numbers = getattr(message.properties, "SubscriptionIdentifier", ())
        if self._copies.is_copy(topic, payload, numbers):
            topic = NOBODYS_FILTER  # no channel takes it; it is acknowledged like any other
        if not self._arrived(Arrived(topic, payload, message.retain, self._clock.monotonic_s(), mid, made)):
            self._overfull = True
            self._note(words()("broker.more_came_at_once_than_may"))
            down.set()

    # -- words

    def _fall_back(self) -> None:
        self._protocol = mqtt.MQTTv311
        self.state.protocol = self._protocol_name()
        self._note(words()("broker.the_broker_does_not_speak_mqtt"))

    def _protocol_name(self) -> str:
        return "5" if self._protocol == mqtt.MQTTv5 else "3.1.1"

    def _note(self, problem: str | None) -> None:
        if problem is not None and problem != self.state.problem:
            log.warning("%s", problem)
        self.state.problem = problem

    def _words(self, error: Exception) -> str:
        return why_not(self._broker, error) if isinstance(error, OSError) else str(error)


def _loop_lives(client_id: str) -> bool:
    return any(thread.name == f"paho-mqtt-client-{client_id}" for thread in threading.enumerate())
