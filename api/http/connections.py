"""What a client may hold without asking for anything: connections are counted, heads and reading have a deadline."""

from __future__ import annotations

import asyncio
from typing import cast

from uvicorn.protocols.http.h11_impl import H11Protocol

HEAD_S = 10.0
"""From the connection, or from the first byte of a further request, to the end of its head [s]."""

READ_S = 60.0
"""How long a client may leave what was sent to it unread [s]."""

MOST = 1_500
"""Connections at once; a file handle each."""


class BoundedConnection(H11Protocol):
    """A connection that is closed where its client dawdles. Of too many, the one that has waited longest goes."""

    _due: asyncio.TimerHandle | None = None
    _unread: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Count it, and wait for its head."""
        super().connection_made(cast(asyncio.Transport, transport))
        self._await_head()
        if len(self.connections) > MOST:
            waiting = [c for c in self.connections if isinstance(c, BoundedConnection) and c._due is not None]
            oldest = min(waiting, key=lambda c: c._due.when() if c._due is not None else 0.0, default=self)
            oldest.transport.abort()

    def data_received(self, data: bytes) -> None:
        """Hand on; a head that has begun has its deadline."""
        if self._due is None and not self._busy():
            self._await_head()
        super().data_received(data)
        if self._busy():
            self._forget_head()

    def connection_lost(self, exc: Exception | None) -> None:
        """Forget its deadlines."""
        self._forget_head()
        self._forget_reading()
        super().connection_lost(exc)

    def pause_writing(self) -> None:
        """The client does not read what there is."""
        super().pause_writing()
        if self._unread is None:
            self._unread = self.loop.call_later(READ_S, self.transport.abort)

    def resume_writing(self) -> None:
        """It reads again."""
        self._forget_reading()
        super().resume_writing()

    def _busy(self) -> bool:
        return self.cycle is not None and not self.cycle.response_complete

    def _await_head(self) -> None:
        self._forget_head()
        self._due = self.loop.call_later(HEAD_S, self.transport.abort)

    def _forget_head(self) -> None:
        if self._due is not None:
            self._due.cancel()
            self._due = None

    def _forget_reading(self) -> None:
        if self._unread is not None:
            self._unread.cancel()
            self._unread = None
