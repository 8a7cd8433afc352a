"""Publishes faster than a client library can: packets of MQTT 3.1.1, written in pieces.

Packets as in OASIS MQTT 3.1.1, sections 2.2.3, 3.1 and 3.3.
"""

from __future__ import annotations

import socket
import struct
import threading
import time
from collections.abc import Iterable
from itertools import islice

PIECE, PIECE_S = 200, 0.1
"""Messages written at once: so many at most, and at most those of so long [s]."""
UNDER_WAY = 5_000
"""Messages not yet acknowledged at once."""

PATIENCE_S = 300.0
"""How long the broker may take for an answer on a busy machine [s]."""

CLEAN, NAMED = 0x02, 0xC0
"""Flags of CONNECT: nothing is kept of the session; a user name and a password follow."""


def counted(text: str) -> bytes:
    """A string behind its length."""
    return struct.pack("!H", len(text.encode())) + text.encode()


def framed(kind: int, rest: bytes) -> bytes:
    """A packet: its first byte, the length of the rest in digits of seven bits, and the rest."""
    left, length = len(rest), b""
    while True:
        left, digit = divmod(left, 128)
        length += bytes([digit | 0x80 if left else digit])
        if not left:
            return bytes([kind]) + length + rest


def connect(client_id: str, username: str | None = None, password: str | None = None) -> bytes:
    """CONNECT of a clean session without keep-alive."""
    who = b"" if username is None else counted(username) + counted(password or "")
    flags = CLEAN | (NAMED if who else 0)
    return framed(0x10, counted("MQTT") + bytes([4, flags, 0, 0]) + counted(client_id) + who)


def packet(topic: str, payload: bytes, number: int, qos: int = 1, *, retain: bool = False) -> bytes:
    """One PUBLISH."""
    named = struct.pack("!H", number % 65_535 + 1) if qos else b""
    return framed(0x30 | qos << 1 | retain, counted(topic) + named + payload)


class Acknowledged:
    """Counts the PUBACKs on a connection, four bytes each; CONNACK is read before."""

    def __init__(self, wire: socket.socket) -> None:
        self._wire, self.bytes = wire, 0
        self._thread = threading.Thread(target=self._read, daemon=True)
        self._thread.start()

    def _read(self) -> None:
        while part := self._wire.recv(65_536):
            self.bytes += len(part)

    def wait_for(self, count: int) -> None:
        """Wait until the broker has taken so many messages."""
        until_s = time.monotonic() + PATIENCE_S
        while self.bytes // 4 < count:
            assert self._thread.is_alive(), "the broker has hung up"
            assert time.monotonic() < until_s, f"the broker has not taken a message within {PATIENCE_S:.0f} s"
            time.sleep(0.002)


def publish(port: int, packets: Iterable[bytes], rate: float, hello: bytes, qos: int = 1) -> tuple[int, float]:
    """Write packets at a rate; with QoS 1 until the broker has taken them. How many, and the seconds it took."""
    waiting, sent, most = iter(packets), 0, max(1, min(PIECE, round(rate * PIECE_S)))
    with socket.create_connection(("127.0.0.1", port)) as wire:
        wire.sendall(hello)
        assert wire.recv(4) == b"\x20\x02\x00\x00", "the broker does not let the publisher in"
        taken, begun_s = Acknowledged(wire), time.monotonic()
        while piece := list(islice(waiting, most)):
            wire.sendall(b"".join(piece))
            sent += len(piece)
            if qos:
                taken.wait_for(sent - UNDER_WAY)
            time.sleep(max(0.0, begun_s + sent / rate - time.monotonic()))
        if qos:
            taken.wait_for(sent)
        return sent, time.monotonic() - begun_s
