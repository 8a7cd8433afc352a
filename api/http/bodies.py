"""Request bodies are read completely before any handler sees them, within a limit of size and of time."""

from __future__ import annotations

import asyncio
from collections.abc import Iterable
from contextlib import suppress

from starlette.requests import Request
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from api.http.problems import faced, problem
from forecaster.texts.catalogue import Said

LIMIT_BYTES = 512 * 1024
"""Largest body that is accepted [bytes]; a form of thousands of fields is a tenth of it."""

READ_S = 20.0
"""How long a body may take to arrive [s]."""

LINGER_S = 2.0
"""How long what still arrives is thrown away once a body is refused [s], lest a reset take the answer along."""

WITHOUT = frozenset({"GET", "HEAD", "OPTIONS"})


class BodyLimit:
    """ASGI middleware: 413 for a body that is too large, 408 for one that is too slow; others are passed on.

    One whose length is told in two ways is 400 and ends the connection: what follows may be another's (RFC 9112, 6.1).
    """

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "http" and {b"content-length", b"transfer-encoding"} <= {
            name for name, _ in scope["headers"]
        }:
            two = problem(400, Said("usage.the_body_has_two_lengths"), {"Connection": "close"})
            await faced(Request(scope), two)(scope, receive, send)
            return
        if scope["type"] != "http" or scope["method"] in WITHOUT:
            await self._app(scope, receive, send)
            return
        told = _length(scope["headers"])
        try:
            body = None if told > LIMIT_BYTES else await asyncio.wait_for(_whole(receive), READ_S)
        except TimeoutError:
            late = problem(408, Said("usage.the_body_did_not_arrive_in"), {"Connection": "close"})
            await faced(Request(scope), late)(scope, receive, _in_stages(receive, send))
            return
        if body is None:
            text = Said("usage.a_body_may_have_bytes_at", limit_bytes=LIMIT_BYTES)
            large = problem(413, text, {"Connection": "close"})
            await faced(Request(scope), large)(scope, receive, _in_stages(receive, send))
            return
        await self._app(scope, _once(body, receive), send)


def _length(headers: Iterable[tuple[bytes, bytes]]) -> int:
    """The Content-Length; 0 without one. The server has already refused a value that is not a number."""
    return next((int(value) for name, value in headers if name == b"content-length" and value.isdigit()), 0)


async def _whole(receive: Receive) -> bytes | None:
    """The complete body; None where it is too large."""
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


def _in_stages(receive: Receive, send: Send) -> Send:
    """A `send` whose answer is complete before the connection ends: what arrives meanwhile is read (RFC 9112, 9.6)."""

    async def staged(message: Message) -> None:
        if message["type"] != "http.response.body":
            await send(message)
            return
        await send({**message, "more_body": True})
        with suppress(TimeoutError):
            await asyncio.wait_for(_thrown_away(receive), LINGER_S)
        await send({"type": "http.response.body", "body": b"", "more_body": False})

    return staged


async def _thrown_away(receive: Receive) -> None:
    """Read until the body has ended or the client has gone."""
    while (message := await receive())["type"] == "http.request" and message.get("more_body", False):
        pass


def _once(body: bytes, receive: Receive) -> Receive:
    """A `receive` that gives the body first, and then what the connection receives."""
    waiting = [body]

    async def handed_on() -> Message:
        if waiting:
            return {"type": "http.request", "body": waiting.pop(), "more_body": False}
        return await receive()

    return handed_on
