"""Bodies of requests, read before anything else looks at them: of a limited size, within a limited time."""

from __future__ import annotations

import asyncio
from collections.abc import Iterable

from starlette.types import ASGIApp, Message, Receive, Scope, Send

from api.http.problems import problem

LIMIT_BYTES = 512 * 1024
"""A form of thousands of fields is a tenth of this."""

READ_S = 20.0
"""A body that takes longer than this to arrive is not waited for [s]."""

WITHOUT = frozenset({"GET", "HEAD", "OPTIONS"})


class BodyLimit:
    """ASGI middleware: 413 for a body that is too large, 408 for one that dawdles; the others are handed on whole."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http" or scope["method"] in WITHOUT:
            await self._app(scope, receive, send)
            return
        told = _length(scope["headers"])
        try:
            body = None if told > LIMIT_BYTES else await asyncio.wait_for(_whole(receive), READ_S)
        except TimeoutError:
            await problem(408, "the body did not arrive in time", {"Connection": "close"})(scope, receive, send)
            return
        if body is None:
            text = f"a body may have {LIMIT_BYTES} bytes at most"
            await problem(413, text, {"Connection": "close"})(scope, receive, send)
            return
        await self._app(scope, _once(body, receive), send)


def _length(headers: Iterable[tuple[bytes, bytes]]) -> int:
    """What Content-Length says; 0 where it is not there. The server has refused one that is no number."""
    return next((int(value) for name, value in headers if name == b"content-length" and value.isdigit()), 0)


async def _whole(receive: Receive) -> bytes | None:
    """The whole body; None where it is too large."""
    body = bytearray()
    while True:
        message = await receive()
        if message["type"] != "http.request":
            return bytes(body)  # the client has gone: whoever reads on is told so
        body += message.get("body", b"")
        if len(body) > LIMIT_BYTES:
            return None
        if not message.get("more_body", False):
            return bytes(body)


def _once(body: bytes, receive: Receive) -> Receive:
    """Hands the body on, and then whatever the connection says."""
    waiting = [body]

    async def handed_on() -> Message:
        if waiting:
            return {"type": "http.request", "body": waiting.pop(), "more_body": False}
        return await receive()

    return handed_on
