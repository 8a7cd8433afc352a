"""A line between the program and a server that a test can cut, deafen, hold up, or leave without an answer."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field

HELD_S = 0.05
"""How often a held line looks whether it passes again [s]."""


@dataclass
class Line:
    """A TCP line from a port of its own to a server's port.

    swallows : bool — bytes of standing connections vanish both ways, and nobody hangs up: a half-open line
    holds : bool — bytes wait, and what was sent meanwhile arrives late: a network that comes back
    mute : bool — new connections are taken and never answered
    taken : int — connections taken so far
    """

    to_port: int
    swallows: bool = False
    holds: bool = False
    mute: bool = False
    taken: int = 0
    port: int = 0
    _ends: list[socket.socket] = field(default_factory=list)
    _keeping: threading.Lock = field(default_factory=threading.Lock)
    _ended: bool = False

    def __post_init__(self) -> None:
        self._server = socket.create_server(("127.0.0.1", 0), backlog=128)
        self.port = self._server.getsockname()[1]
        threading.Thread(target=self._accept, daemon=True).start()

    @property
    def url(self) -> str:
        """Where a broker seems to be."""
        return f"mqtt://127.0.0.1:{self.port}"

    def cut(self) -> None:
        """Hang up on all that stand, both ways."""
        with self._keeping:
            ends, self._ends = self._ends, []
        for end in ends:
            with suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)
            end.close()

    def close(self) -> None:
        """End for good."""
        with self._keeping:
            self._ended = True
        with suppress(OSError):
            self._server.shutdown(socket.SHUT_RDWR)
        self._server.close()
        self.cut()

    def _accept(self) -> None:
        while True:
            try:
                near, _ = self._server.accept()
            except OSError:
                return
            self.taken += 1
            self._keep(near)
            if self.mute:
                continue
            try:
                far = socket.create_connection(("127.0.0.1", self.to_port))
            except OSError:
                near.close()
                continue
            self._keep(far)
            for source, target in ((near, far), (far, near)):
                threading.Thread(target=self._carry, args=(source, target), daemon=True).start()

    def _keep(self, end: socket.socket) -> None:
        """Keep an end, to hang up on it; one that was reached while the line ended is closed at once."""
        with self._keeping:
            if not self._ended:
                self._ends.append(end)
                return
        end.close()

    def _carry(self, source: socket.socket, target: socket.socket) -> None:
        with suppress(OSError):
            while part := source.recv(65_536):
                while self.holds and not self._ended:
                    time.sleep(HELD_S)
                if not self.swallows:
                    target.sendall(part)
        for end in (source, target):
            with suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)
        with self._keeping, suppress(ValueError):  # already hung up on
            self._ends.remove(source)
        source.close()


@contextmanager
def line_to(port: int) -> Iterator[Line]:
    """A line that stands while the block does."""
    made = Line(port)
    try:
        yield made
    finally:
        made.close()
