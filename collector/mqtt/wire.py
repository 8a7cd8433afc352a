"""The client library's connection with fewer turns: it reads what is there at once, and acknowledges a batch at once.

By itself paho reads every message with three system calls and sends every acknowledgement with two. Both ends meet at
two inner methods of the library, `_create_socket` and `_packet_queue`; everything else is its own.
"""

from __future__ import annotations

import itertools
import socket
import ssl
import struct
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import paho.mqtt.client as mqtt
from paho.mqtt.enums import MessageType

CHUNK = 65_536
"""Bytes read at once."""

Wire = socket.socket | ssl.SSLSocket
PUBACK = struct.Struct("!BBH")


class BufferedSocket:
    """A connected socket that reads ahead. What paho asks of a socket: recv, send, pending, fileno, close."""

    def __init__(self, wire: Wire) -> None:
        self._wire = wire
        self._ahead = b""
        self._at = 0

    def recv(self, size: int) -> bytes:
        """At most `size` bytes, from what was read ahead where there is any. Raises as the socket does."""
        at = self._at
        if at == len(self._ahead):
            self._ahead, self._at = self._wire.recv(CHUNK), 0
            at = 0
        taken = self._ahead[at : at + size]
        self._at = at + len(taken)
        return taken

    def pending(self) -> int:
        """Bytes that can be read without asking the network."""
        inside = self._wire.pending() if isinstance(self._wire, ssl.SSLSocket) else 0
        return len(self._ahead) - self._at + inside

    def send(self, data: bytes | bytearray) -> int:
        """Send; how much was taken."""
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


class Client(mqtt.Client):
    """A paho client on a socket that reads ahead."""

    def _create_socket(self) -> BufferedSocket:
        wire = super()._create_socket()
        assert isinstance(wire, socket.socket)
        return BufferedSocket(wire)

    def ack_all(self, mids: Sequence[int]) -> None:
        """Acknowledge messages of quality of service 1, in order, in one write. Harmless without a connection."""
        if mids:
            packet = b"".join(PUBACK.pack(MessageType.PUBACK, 2, mid) for mid in mids)
            self._packet_queue(MessageType.PUBACK, packet, mids[-1], 1)


@dataclass(slots=True)
class Arrived:
    """A message as it came in, and the connection that waits for its acknowledgement.

    monotonic_s : float — when it arrived; mid : int | None — None where nothing is to be acknowledged
    """

    topic: str
    payload: bytes
    retained: bool
    monotonic_s: float
    mid: int | None
    client: Client


def acknowledge(messages: Iterable[Arrived]) -> None:
    """Tell the broker that messages are safe; it forgets them. Harmless on a connection that is gone."""
    for client, group in itertools.groupby(messages, key=_client):
        client.ack_all([message.mid for message in group if message.mid is not None])


def _client(message: Arrived) -> Client:
    return message.client
