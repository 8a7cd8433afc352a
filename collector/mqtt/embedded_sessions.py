"""The embedded broker's promise: a message taken with QoS 1 stays in a persistent session until it is acknowledged.

amqtt 0.12 by itself forgets it in five ways: an anonymous session keeps nothing while its client is away and is dropped
within a second; what is not acknowledged within five seconds is forgotten; so is all that was under way when a
connection ends; what a publisher sent just before it left may never be handed on; and a client that comes back before
its old connection is cleared away is taken for gone. It also hands over what waited before it answers a subscription,
marked as retained. Here everything for a session goes through one queue, sent in order within a window.
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
"""Messages on their way to a client at once: fewer than the collector stores in one commit."""

QUEUE = 200_000
"""Messages that wait for a session; newer ones are dropped, and said so."""


class ClosingWriter(StreamWriterAdapter):
    """Closes its socket in any case: a client that has reset the connection stops the library's close half way."""

    async def close(self) -> None:
        """Close; where the client is gone already there is nobody to say goodbye to."""
        with contextlib.suppress(OSError):
            await super().close()
        self._writer.close()


class SessionHandler(BrokerProtocolHandler):
    """One connection. What is for its client waits in the session and is sent by a task of its own."""

    def __init__(self, broker: SessionBroker) -> None:
        super().__init__(broker.plugins_manager)
        self._broker = broker
        self._woken = asyncio.Event()
        self._sender: asyncio.Task[None] | None = None

    async def start(self) -> None:
        """Begin to read, and to send what waits."""
        await super().start()
        self._sender = asyncio.create_task(self._send())

    async def stop(self) -> None:
        """End; what is not acknowledged stays in the session."""
        if self._sender is not None:
            self._sender.cancel()
        await super().stop()

    def stir(self) -> None:
        """There is something to send."""
        self._woken.set()

    async def mqtt_publish(
        self, topic: str, data: bytes | bytearray, qos: int | None, retain: bool, ack_timeout: int | None = None
    ) -> OutgoingApplicationMessage:
        """Queue a message for the client; without acknowledgement it is sent at once, to whoever is there."""
        if qos == QOS_0:
            return await super().mqtt_publish(topic, data, qos, retain, ack_timeout)
        message = OutgoingApplicationMessage(None, topic, QOS_1, data, retain)
        if self.session is not None:
            self._broker.queue(self.session, message)
        return message

    async def handle_puback(self, puback: PubackPacket) -> None:
        """The client has it: forget it, and send the next."""
        if self.session is not None and puback.variable_header is not None:
            self.session.inflight_out.pop(puback.variable_header.packet_id, None)
        self.stir()

    async def handle_publish(self, publish_packet: PublishPacket) -> None:
        """Hand on what a client publishes, then acknowledge it."""
        header, session = publish_packet.variable_header, self.session
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
        """What was under way when the last connection ended is the first that the sender sends."""

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
        number = session.next_packet_id
        message = OutgoingApplicationMessage(number, kept.topic, QOS_1, kept.data, kept.retain)
        session.inflight_out[number] = message
        return message


class SessionBroker(Broker):
    """An amqtt broker that keeps what it has taken.

    user, password : who may come; None: anybody, for a listener on loopback
    """

    def __init__(self, config: dict[str, Any], user: str | None, password: str | None) -> None:
        super().__init__(config)
        self._user, self._password = user, password
        self._full: set[str] = set()
        self.closing = False

    def idle(self) -> bool:
        """Whether every client that is there has acknowledged all that there is for it."""
        return self._broadcast_queue.empty() and all(
            session.retained_messages.empty() and not session.inflight_out
            for session, _ in self._sessions.values()
            if session.transitions.state == "connected"
        )

    def queue(self, session: Session, message: ApplicationMessage) -> None:
        """Keep a message for a session until its client acknowledges it."""
        name = session.client_id or ""
        if session.retained_messages.qsize() >= QUEUE:
            if name not in self._full:
                log.error("%d messages wait for %s, and further ones are dropped", QUEUE, name)
            self._full.add(name)
            return
        self._full.discard(name)
        session.retained_messages.put_nowait(message)
        handler = self._get_handler(session)
        if isinstance(handler, SessionHandler):
            handler.stir()

    async def hand_on(self, session: Session, handler: BrokerProtocolHandler, message: ApplicationMessage) -> bool:
        """Give a published message to those who subscribed; False where the client broke the protocol."""
        taken: asyncio.Future[ApplicationMessage] = asyncio.get_running_loop().create_future()
        taken.set_result(message)
        return await self._handle_message_delivery(session, handler, taken)

    async def add_subscription(self, subscription: tuple[str, int], session: Session) -> int:
        """Take a subscription, with QoS 1 at most."""
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
        await self._client_connected(listener_name, StreamReaderAdapter(reader), ClosingWriter(writer))

    async def _client_connected(self, listener_name: str, reader: ReaderAdapter, writer: WriterAdapter) -> None:
        """Serve a connection, and close it in any case: by itself the library leaves those open that say nothing."""
        try:
            await super()._client_connected(listener_name, reader, writer)
        finally:
            await writer.close()

    async def _handle_disconnect(
        self, client_session: Session, handler: BrokerProtocolHandler, disconnect_waiter: asyncio.Future[Any]
    ) -> None:
        await super()._handle_disconnect(client_session, handler, disconnect_waiter)
        if self._get_handler(client_session) is not handler and client_session.transitions.state == "disconnected":
            client_session.transitions.connect()  # a new connection has taken the session over meanwhile

    async def _publish_session_retained_messages(self, session: Session) -> None:
        """Sent by the handler, without holding up the client's own requests."""

    async def _retain_broadcast_message(self, broadcast: dict[str, Any], qos: int, target_session: Session) -> None:
        self.queue(
            target_session, ApplicationMessage(None, broadcast["topic"], min(qos, QOS_1), broadcast["data"], False)
        )
