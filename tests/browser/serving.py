"""Serves an application on a free port of loopback, in a thread, for a real browser."""

from __future__ import annotations

import contextlib
import socket
import threading
import time
from collections.abc import Iterator

import uvicorn

from api.app import create_app
from api.wiring import Services

PATIENCE_S = 20.0


@contextlib.contextmanager
def serving(services: Services, *, bind: str = "127.0.0.1") -> Iterator[str]:
    """The address of the running application."""
    with socket.socket() as free:
        free.bind((bind, 0))
        port = free.getsockname()[1]
    config = uvicorn.Config(create_app(services), host=bind, port=port, log_level="warning", lifespan="on")
    server = uvicorn.Server(config)
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    deadline = time.monotonic() + PATIENCE_S
    while not server.started:
        assert thread.is_alive(), "the server ended before it started"
        assert time.monotonic() < deadline, "the server did not start"
        time.sleep(0.02)
    try:
        yield f"http://{bind}:{port}"
    finally:
        services.hub.close()
        server.should_exit = True
        thread.join(PATIENCE_S)
        assert not thread.is_alive(), "the server did not end"
