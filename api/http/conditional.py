"""Conditional requests (RFC 9110 section 13): a client that already has the newest answer gets 304 without a body."""

from __future__ import annotations

import hashlib

from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

TAGGED = frozenset({"application/json", "text/calendar"})
"""What is asked for again and again, and seldom changes; files are sent as they are written."""

LARGEST = 4_000_000
"""Larger answers are passed on at once, without a tag [bytes]."""


class EntityTags:
    """ASGI middleware: answers of the API to GET carry an ETag, own or of their body; If-None-Match is respected.

    prefixes : tuple[str, ...] — how the paths begin whose answers do
    """

    def __init__(self, app: ASGIApp, *, prefixes: tuple[str, ...]) -> None:
        self._app, self._prefixes = app, prefixes

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http" or scope["method"] != "GET" or not scope["path"].startswith(self._prefixes):
            await self._app(scope, receive, send)
            return
        await self._app(scope, receive, _Answer(Headers(scope=scope).get("if-none-match"), send))


class _Answer:
    """Collects an answer of a kind that is tagged until it is complete; everything else is passed on at once."""

    def __init__(self, known: str | None, send: Send) -> None:
        self._known, self._send = known, send
        self._start: Message | None = None
        self._body = b""

    async def __call__(self, message: Message) -> None:
        if message["type"] == "http.response.start" and _taggable(message):
            self._start = message
            return
        if self._start is None or message["type"] != "http.response.body":
            await self._send(message)
            return
        self._body += message.get("body", b"")
        if message.get("more_body", False):
            if len(self._body) > LARGEST:
                await self._pass_on(self._start)
            return
        await self._finish(self._start)

    async def _pass_on(self, start: Message) -> None:
        self._start = None
        await self._send(start)
        await self._send({"type": "http.response.body", "body": self._body, "more_body": True})

    async def _finish(self, start: Message) -> None:
        headers = MutableHeaders(raw=list(start["headers"]))
        tag = headers.get("ETag") or f'"{hashlib.blake2b(self._body, digest_size=12).hexdigest()}"'
        headers["ETag"] = tag
        body = self._body
        if matches(self._known, tag):
            start, body = {**start, "status": 304}, b""
            del headers["content-length"]
            del headers["content-type"]
        await self._send({**start, "headers": headers.raw})
        await self._send({"type": "http.response.body", "body": body})


def _taggable(start: Message) -> bool:
    kind = Headers(raw=start["headers"]).get("content-type", "")
    return start["status"] == 200 and kind.partition(";")[0] in TAGGED


def matches(known: str | None, tag: str) -> bool:
    """Whether an If-None-Match header contains a tag, by weak comparison."""
    if known is None:
        return False
    named = {part.strip().removeprefix("W/") for part in known.split(",")}
    return "*" in named or tag.removeprefix("W/") in named
