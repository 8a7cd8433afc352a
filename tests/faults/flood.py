"""Publishes faster than a client library can: packets of MQTT 3.1.1 made beforehand, written in pieces.

`python -m tests.faults.flood PORT RATE SECONDS SITES QOS` publishes messages of a fleet at a rate, and says how many
and in how many seconds. Packets as in OASIS MQTT 3.1.1, sections 2.2.3, 3.1 and 3.3.
"""

from __future__ import annotations

import socket
import struct
import sys
import threading
import time

from tests.bench.fleet import message

CONNECT = b"\x10\x11\x00\x04MQTT\x04\x02\x00\x00\x00\x05flood"
PIECE = 200
"""Messages written at once."""
UNDER_WAY = 5_000
"""Messages not yet acknowledged at once."""


def packet(topic: str, payload: bytes, number: int, qos: int = 1, *, retain: bool = False) -> bytes:
    """One PUBLISH."""
    name = topic.encode()
    head = struct.pack("!H", len(name)) + name + (struct.pack("!H", number % 65_535 + 1) if qos else b"")
    rest, length = len(head) + len(payload), b""
    while True:
        rest, digit = divmod(rest, 128)
        length += bytes([digit | 0x80 if rest else digit])
        if not rest:
            return bytes([0x30 | qos << 1 | retain]) + length + head + payload


class Acknowledged:
    """Counts the PUBACKs on a connection, four bytes each; CONNACK is read before."""

    def __init__(self, wire: socket.socket) -> None:
        self._wire, self.bytes = wire, 0
        threading.Thread(target=self._read, daemon=True).start()

    def _read(self) -> None:
        while part := self._wire.recv(65_536):
            self.bytes += len(part)

    @property
    def count(self) -> int:
        """Messages that the broker has taken."""
        return self.bytes // 4


def publish(port: int, packets: list[bytes], rate: float, qos: int = 1) -> float:
    """Write all at a rate; with QoS 1 until the broker has taken them. The seconds it took."""
    with socket.create_connection(("127.0.0.1", port)) as wire:
        wire.sendall(CONNECT)
        assert wire.recv(4)[:1] == b"\x20"
        taken, begun_s = Acknowledged(wire), time.monotonic()
        for first in range(0, len(packets), PIECE):
            wire.sendall(b"".join(packets[first : first + PIECE]))
            while qos and first + PIECE - taken.count > UNDER_WAY:
                time.sleep(0.002)
            time.sleep(max(0.0, begun_s + (first + PIECE) / rate - time.monotonic()))
        while qos and taken.count < len(packets):
            time.sleep(0.01)
        return time.monotonic() - begun_s


def fleet(count: int, sites: int, begun_ms: int, qos: int = 1) -> list[bytes]:
    """Packets of a fleet's messages, each with a time of its own."""
    made = (message(n % sites, n // sites, begun_ms + n) for n in range(count))
    return [packet(topic, body, number, qos) for number, (topic, body) in enumerate(made)]


def main(port: int, rate: float, seconds: float, sites: int, qos: int) -> None:
    packets = fleet(int(rate * seconds), sites, int(time.time() * 1000) - int(1000 * seconds), qos)
    took_s = publish(port, packets, rate, qos)
    sys.stdout.write(f"{len(packets)} {took_s:.1f}\n")


if __name__ == "__main__":
    main(int(sys.argv[1]), float(sys.argv[2]), float(sys.argv[3]), int(sys.argv[4]), int(sys.argv[5]))
