"""Serves an application on a free port of loopback, in a thread, for a real browser; counts what goes over the wire."""

from __future__ import annotations

import contextlib
import socket
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, field

import uvicorn
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from api.http.app import create_app
from api.process.services import Services
from tests.engines import PATIENCE_S


@dataclass(slots=True)
class Sent:
    """What the server sent: (path, bytes of head and body)."""

    answers: list[tuple[str, int]] = field(default_factory=list)

    @property
    def total(self) -> int:
        return sum(size for _, size in self.answers)


class Counting:
    """An application whose answers are counted."""

    def __init__(self, app: ASGIApp, sent: Sent) -> None:
        self._app, self._sent = app, sent

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        async def counted(message: Message) -> None:
            if message["type"] == "http.response.start":
                size = sum(len(name) + len(value) + 4 for name, value in message["headers"]) + 20
                self._sent.answers.append((scope["path"], size))
            if message["type"] == "http.response.body":
                self._sent.answers.append((scope["path"], len(message.get("body", b""))))
            await send(message)

        await self._app(scope, receive, counted)


@dataclass(frozen=True, slots=True)
class Served:
    """A running application: its address, its services and what it sent."""

    url: str
    services: Services
    sent: Sent


@contextlib.contextmanager
def serving(services: Services, port: int = 0) -> Iterator[Served]:
    """The application, running on loopback."""
    with socket.socket() as free:
        free.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        free.bind(("127.0.0.1", port))
        port = free.getsockname()[1]
    sent = Sent()
    config = uvicorn.Config(
        Counting(create_app(services), sent), host="127.0.0.1", port=port, log_level="warning", lifespan="off",
        timeout_graceful_shutdown=2,
    )  # fmt: skip
    server = uvicorn.Server(config)
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    deadline = time.monotonic() + PATIENCE_S
    while not server.started:
        assert thread.is_alive(), "the server ended before it started"
        assert time.monotonic() < deadline, "the server did not start"
        time.sleep(0.02)
    try:
        yield Served(f"http://127.0.0.1:{port}", services, sent)
    finally:
        services.hub.close()
        server.should_exit = True
        thread.join(PATIENCE_S)
        assert not thread.is_alive(), "the server did not end"
