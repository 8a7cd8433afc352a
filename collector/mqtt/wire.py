"""The client library's connection with fewer system calls: reads ahead, and acknowledges a batch in one write.

By itself paho reads every message with three system calls and sends every acknowledgement with two, and leaves a cycle
of 18 objects to the garbage collector by looking for callbacks of single filters, of which there are none here. Only
three of the library's internals are used for this: `_create_socket`, `_packet_queue` and `_on_message_filtered`.
"""

from __future__ import annotations

import itertools
import socket
import ssl
import struct
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import MessageType

CHUNK = 65_536
"""Most bytes read in one call."""

Wire = socket.socket | ssl.SSLSocket
PUBACK = struct.Struct("!BBH")


class BufferedSocket:
    """A connected socket that reads ahead. What paho asks of a socket: recv, send, pending, fileno, close."""

    def __init__(self, wire: Wire) -> None:
        self._wire = wire
        self._ahead = b""
        self._at = 0

    def recv(self, size: int) -> bytes:
        """At most `size` bytes, first those that were read ahead. Raises as the socket does."""
        at = self._at
        if at == len(self._ahead):
            self._ahead, self._at = self._wire.recv(CHUNK), 0
            at = 0
        taken = self._ahead[at : at + size]
        self._at = at + len(taken)
        return taken

    def pending(self) -> int:
        """The number of bytes that were read ahead."""
        inside = self._wire.pending() if isinstance(self._wire, ssl.SSLSocket) else 0
        return len(self._ahead) - self._at + inside

    def send(self, data: bytes | bytearray) -> int:
        """Send data. Returns how many bytes were sent."""
        return self._wire.send(data)

    def fileno(self) -> int:
        """For select."""
        return self._wire.fileno()

    def setblocking(self, flag: bool) -> None:
        """As the socket's."""
        self._wire.setblocking(flag)

    def close(self) -> None:
        """As the socket's."""
        self._wire.close()


class _NoFilters:
    """Callbacks of single filters, where there are none."""

    def iter_match(self, _topic: str) -> Iterator[object]:
        """None of them."""
        return iter(())


class Client(mqtt.Client):
    """A paho client on a socket that reads ahead, with one callback for all messages."""

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        none: Any = _NoFilters()
        self._on_message_filtered = none

    def _create_socket(self) -> BufferedSocket:
        wire = super()._create_socket()
        assert isinstance(wire, socket.socket)
        return BufferedSocket(wire)

    def leave(self) -> None:
        """Disconnect and end the network thread; no callback is called any more.

        A callback that knows its client keeps it, and its sockets, until a collection of cycles.
        """
        self.disconnect()
        self.loop_stop()
        self.on_connect = self.on_disconnect = self.on_message = None
        self.on_publish = self.on_subscribe = self.on_unsubscribe = None

    def ack_all(self, mids: Sequence[int]) -> None:
        """Acknowledge messages of quality of service 1, in order, in one write. Harmless without a connection."""
        if mids:
            packet = b"".join(PUBACK.pack(MessageType.PUBACK, 2, mid) for mid in mids)
            self._packet_queue(MessageType.PUBACK, packet, mids[-1], 1)


@dataclass(slots=True)
class Arrived:
    """A received message, and the connection that waits for its acknowledgement.

    monotonic_s : float — when it arrived; mid : int | None — None where nothing is to be acknowledged
    """

    topic: str
    payload: bytes
    retained: bool
    monotonic_s: float
    mid: int | None
    client: Client


def acknowledge(messages: Iterable[Arrived]) -> None:
    """Acknowledge messages, so that the broker forgets them. Harmless on a lost connection."""
    for client, group in itertools.groupby(messages, key=_client):
        client.ack_all([message.mid for message in group if message.mid is not None])


def _client(message: Arrived) -> Client:
    return message.client
