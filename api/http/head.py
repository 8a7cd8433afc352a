"""HEAD is answered wherever GET is (RFC 9110 section 9.3.2): the same headers, without a body or the wait for it."""

from __future__ import annotations

import asyncio

from starlette.types import ASGIApp, Message, Receive, Scope, Send


class HeadAsGet:
    """ASGI middleware: a HEAD request is handled as GET, and only status and headers are sent.

    After the headers the application is told that the client has disconnected, so that an event stream ends by itself.
    """

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http" or scope["method"] != "HEAD":
            await self._app(scope, receive, send)
            return
        started = asyncio.Event()

        async def gone_after_headers() -> Message:
            await started.wait()
            return {"type": "http.disconnect"}

        async def headers_only(message: Message) -> None:
            if message["type"] == "http.response.start":
                await send(message)
                await send({"type": "http.response.body", "body": b""})
                started.set()

        await self._app({**scope, "method": "GET"}, gone_after_headers, headers_only)
