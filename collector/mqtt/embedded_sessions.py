"""What the embedded broker guarantees: a QoS 1 message stays in a persistent session until it is acknowledged.

amqtt 0.12 by itself loses messages in five ways: an anonymous session keeps nothing while its client is away and is
dropped within a second; a message that is not acknowledged within five seconds is forgotten; so are all messages in
flight when a connection ends; what a publisher sent just before it disconnected may never be delivered; and a client
that reconnects before its old connection is cleaned up is taken for gone. It also sends waiting messages before it
answers a subscription, marked as retained, and to whoever connects what is retained under the filters of all others.
Here all messages of a session go through one queue, sent in order within a window.
"""

from __future__ import annotations

import asyncio
import contextlib
import hmac
import logging
from typing import Any

from amqtt.adapters import ReaderAdapter, StreamReaderAdapter, StreamWriterAdapter, WriterAdapter
from amqtt.broker import Broker
from amqtt.errors import AMQTTError
from amqtt.mqtt.constants import QOS_0, QOS_1, QOS_2
from amqtt.mqtt.protocol.broker_handler import BrokerProtocolHandler
from amqtt.mqtt.puback import PubackPacket
from amqtt.mqtt.publish import PublishPacket
from amqtt.session import ApplicationMessage, IncomingApplicationMessage, OutgoingApplicationMessage, Session

log = logging.getLogger("outlast.broker")

WINDOW = 1000
"""Most messages in flight to a client: fewer than the collector stores in one commit."""

QUEUE = 200_000
"""Most messages that wait in a session; newer ones are dropped, with a line in the log."""

QUEUE_BYTES = 64 << 20
"""Bytes of their payloads."""

PACKET_BYTES = 1 << 20
"""The largest packet that is taken; whoever sends a larger one is hung up on."""

RETAINED, RETAINED_BYTES = 20_000, 32 << 20
"""Topics that hold a retained message, and bytes of these; further ones are handed on and not retained."""

OWN_TREES = ("outlast/", "homie/5/outlast-")
ASKING = ("/acknowledge", "/set")
"""What this program says, and what others may ask of it there."""


class PacketTooLargeError(Exception):
    """A client announces more than is taken. None of the kinds after which the library would read on."""


class BoundedReader(StreamReaderAdapter):
    """Refuses a packet that is too large before it is read: the connection ends."""

    async def read(self, n: int = -1) -> bytes:
        """As the library's. PacketTooLargeError."""
        if n > PACKET_BYTES:
            log.error("a packet of %d bytes is refused; at most %d are taken", n, PACKET_BYTES)
            raise PacketTooLargeError
        return bytes(await super().read(n))


def may_say(topic: str, here: bool) -> bool:
    """Whether a client may publish to a topic: what this program says can be said on this machine alone."""
    return here or not topic.startswith(OWN_TREES) or topic.endswith(ASKING)


class ClosingWriter(StreamWriterAdapter):
    """Always closes its socket: after a reset by the client the library's own close ends half-way."""

    async def close(self) -> None:
        """Close the connection; errors of a client that is already gone are ignored."""
        with contextlib.suppress(OSError):
            await super().close()
        self._writer.close()


class SessionHandler(BrokerProtocolHandler):
    """One connection. Messages for its client wait in the session; a task of their own sends them."""

    def __init__(self, broker: SessionBroker) -> None:
        super().__init__(broker.plugins_manager)
        self._broker = broker
        self._woken = asyncio.Event()
        self._sender: asyncio.Task[None] | None = None

    async def start(self) -> None:
        """Begin to read, and to send waiting messages."""
        await super().start()
        self._sender = asyncio.create_task(self._send())

    async def stop(self) -> None:
        """End the connection; unacknowledged messages stay in the session."""
        if self._sender is not None:
            self._sender.cancel()
        await super().stop()

    def stir(self) -> None:
        """There is something to send."""
        self._woken.set()

    async def mqtt_publish(
        self, topic: str, data: bytes | bytearray, qos: int | None, retain: bool, ack_timeout: int | None = None
    ) -> OutgoingApplicationMessage:
        """Queue a message for the client; one with QoS 0 is sent at once, if the client is connected."""
        if qos == QOS_0:
            return await super().mqtt_publish(topic, data, qos, retain, ack_timeout)
        message = OutgoingApplicationMessage(None, topic, QOS_1, data, retain)
        if self.session is not None:
            self._broker.queue(self.session, message)
        return message

    async def handle_puback(self, puback: PubackPacket) -> None:
        """The client has acknowledged a message: forget it, and send the next one."""
        if self.session is not None and puback.variable_header is not None:
            self.session.inflight_out.pop(puback.variable_header.packet_id, None)
        self.stir()

    async def handle_publish(self, publish_packet: PublishPacket) -> None:
        """Distribute a client's message, then acknowledge it."""
        header, session = publish_packet.variable_header, self.session
        topic = publish_packet.topic_name or ""
        if session is not None and not self._broker.may_say(session, topic):
            log.error("%s may not publish to %s", session.remote_address, ascii(topic)[:200])
            await self.handle_connection_closed()
            return
        if publish_packet.qos == QOS_2:
            await super().handle_publish(publish_packet)
            return
        if session is None or header is None or publish_packet.topic_name is None or self._broker.closing:
            return
        message = IncomingApplicationMessage(
            header.packet_id, publish_packet.topic_name, publish_packet.qos, publish_packet.data or b"",
            publish_packet.retain_flag,
        )  # fmt: skip
        message.publish_packet = publish_packet
        if not await self._broker.hand_on(session, self, message):
            await self.handle_connection_closed()
        elif publish_packet.qos == QOS_1 and header.packet_id is not None:
            await self._send_packet(PubackPacket.build(header.packet_id))

    async def _retry_deliveries(self) -> None:
        """Nothing to do: the sender begins with the messages that were in flight on the last connection."""

    async def _send(self) -> None:
        session = self.session
        if session is None:
            return
        try:
            for message in list(session.inflight_out.values()):
                await self._send_packet(message.build_publish_packet(dup=True))
            while True:
                while len(session.inflight_out) < WINDOW and not session.retained_messages.empty():
                    await self._send_packet(self._next(session).build_publish_packet())
                self._woken.clear()
                await self._woken.wait()
        except (AMQTTError, OSError, RuntimeError) as error:
            log.debug("sending to %s ended: %r", session.client_id, error)
            await self.handle_connection_closed()

    def _next(self, session: Session) -> OutgoingApplicationMessage:
        kept = session.retained_messages.get_nowait()
        self._broker.left(session, kept)
        number = session.next_packet_id
        message = OutgoingApplicationMessage(number, kept.topic, QOS_1, kept.data, kept.retain)
        session.inflight_out[number] = message
        return message


class SessionBroker(Broker):
    """An amqtt broker that keeps the messages that it has accepted.

    user, password : who may come; None: anybody, for a listener on loopback
    host : str — where it listens: a client that comes from there is on this machine, as one from loopback is
    """

    def __init__(self, config: dict[str, Any], user: str | None, password: str | None, host: str = "127.0.0.1") -> None:
        super().__init__(config)
        self._user, self._password, self._host = user, password, host
        self._full: set[str] = set()
        self._connecting: set[str] = set()
        self._waiting_bytes: dict[str, int] = {}
        self._retained_sizes: dict[str, int] = {}
        self._retained_bytes = 0
        self.closing = False

    def idle(self) -> bool:
        """Whether every connected client has acknowledged all of its messages."""
        return self._broadcast_queue.empty() and all(
            session.retained_messages.empty() and not session.inflight_out
            for session, _ in self._sessions.values()
            if session.transitions.state == "connected"
        )

    def queue(self, session: Session, message: ApplicationMessage) -> None:
        """Keep a message for a session until its client acknowledges it."""
        name = session.client_id or ""
        count = session.retained_messages.qsize()
        waiting = self._waiting_bytes.get(name, 0) if count else 0
        if count >= QUEUE or (count and waiting + len(message.data or b"") > QUEUE_BYTES):
            if name not in self._full:
                log.error("%d messages of %d bytes wait for %s, and further ones are dropped", count, waiting, name)
            self._full.add(name)
            return
        self._full.discard(name)
        self._waiting_bytes[name] = waiting + len(message.data or b"")
        session.retained_messages.put_nowait(message)
        handler = self._get_handler(session)
        if isinstance(handler, SessionHandler):
            handler.stir()

    def left(self, session: Session, message: ApplicationMessage) -> None:
        """A message is on its way to its client."""
        name = session.client_id or ""
        self._waiting_bytes[name] = max(0, self._waiting_bytes.get(name, 0) - len(message.data or b""))

    def may_say(self, session: Session, topic: str) -> bool:
        """Whether a client may publish to a topic."""
        address = (session.remote_address or "").removeprefix("::ffff:")
        return may_say(topic, address.startswith("127.") or address in ("::1", self._host))

    async def retain_message(
        self, source_session: Session | None, topic_name: str | None, data: bytes | bytearray | None,
        qos: int | None = None,
    ) -> None:  # fmt: skip
        """Retain a message, or clear one; where too much is retained already it is not."""
        topic, size = topic_name or "", len(data or b"")
        self._retained_bytes -= self._retained_sizes.pop(topic, 0)
        count = len(self._retained_sizes)
        if size and (count >= RETAINED or self._retained_bytes + size > RETAINED_BYTES):
            log.error("%s is not retained: %d bytes in %d topics are", ascii(topic)[:200], self._retained_bytes, count)
            data = None  # what the topic held before is old
        elif size:
            self._retained_sizes[topic] = size
            self._retained_bytes += size
        await super().retain_message(source_session, topic_name, data, qos)

    async def hand_on(self, session: Session, handler: BrokerProtocolHandler, message: ApplicationMessage) -> bool:
        """Distribute a published message to the subscribers. False where the client violated the protocol."""
        taken: asyncio.Future[ApplicationMessage] = asyncio.get_running_loop().create_future()
        taken.set_result(message)
        return await self._handle_message_delivery(session, handler, taken)

    async def add_subscription(self, subscription: tuple[str, int], session: Session) -> int:
        """Accept a subscription, with QoS 1 at most."""
        topic_filter, qos = subscription
        return await super().add_subscription((topic_filter, min(qos, QOS_1)), session)

    async def _authenticate(self, session: Session, _: object) -> bool:
        if self._user is None:
            return True
        given = f"{session.username}\n{session.password}".encode()
        return hmac.compare_digest(given, f"{self._user}\n{self._password}".encode())

    async def _initialize_client_session(
        self, reader: ReaderAdapter, writer: WriterAdapter, remote_address: str, remote_port: int
    ) -> tuple[BrokerProtocolHandler, Session]:
        _, session = await super()._initialize_client_session(reader, writer, remote_address, remote_port)
        return SessionHandler(self), session

    async def stream_connected(
        self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, listener_name: str
    ) -> None:
        """Serve a connection whose socket closes in any case."""
        await self._client_connected(listener_name, BoundedReader(reader), ClosingWriter(writer))

    async def _client_connected(self, listener_name: str, reader: ReaderAdapter, writer: WriterAdapter) -> None:
        """Serve a connection, and always close it: the library would leave silent ones open."""
        try:
            await super()._client_connected(listener_name, reader, writer)
        except PacketTooLargeError:
            log.debug("a client was hung up on before it had introduced itself")
        finally:
            await writer.close()

    async def _handle_disconnect(
        self, client_session: Session, handler: BrokerProtocolHandler, disconnect_waiter: asyncio.Future[Any]
    ) -> None:
        await super()._handle_disconnect(client_session, handler, disconnect_waiter)
        if self._get_handler(client_session) is not handler and client_session.transitions.state == "disconnected":
            client_session.transitions.connect()  # a new connection has taken the session over meanwhile

    async def _publish_session_retained_messages(self, session: Session) -> None:
        """Nothing to do: the handler sends retained messages without delaying the client's requests.

        What the library goes on with, the retained messages of every filter that anybody has, nobody has asked for:
        a client that says one thing and leaves would be reset by it, and its word lost.
        """
        self._connecting.add(session.client_id or "")

    async def _client_message_loop(self, client_session: Session, handler: BrokerProtocolHandler) -> None:
        self._connecting.discard(client_session.client_id or "")
        await super()._client_message_loop(client_session, handler)

    async def _publish_retained_messages_for_subscription(
        self, subscription: tuple[str, int], session: Session
    ) -> None:
        """What is retained, as a client subscribes, and not as it connects (MQTT 3.1.1, MQTT-3.3.1-6)."""
        if (session.client_id or "") not in self._connecting:
            await super()._publish_retained_messages_for_subscription(subscription, session)

    async def _retain_broadcast_message(self, broadcast: dict[str, Any], qos: int, target_session: Session) -> None:
        self.queue(
            target_session, ApplicationMessage(None, broadcast["topic"], min(qos, QOS_1), broadcast["data"], False)
        )
