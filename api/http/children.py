"""Answers written by a child process: reading the long record needs libraries that the service never loads."""

from __future__ import annotations

import asyncio
import logging
import tempfile
import threading
from collections.abc import AsyncGenerator, AsyncIterator, Sequence
from subprocess import DEVNULL

from anyio import open_process
from fastapi.responses import StreamingResponse

from api.http.problems import ProblemError
from api.process.children import child_command, child_environment
from forecaster.texts.catalogue import Said

log = logging.getLogger("outlast.api")

MOST_CHILDREN = 2
"""Children that may run at the same time: each may take 300 MB."""

LIMIT_S = 1800.0
"""How long a child may run [s]; a client that reads more slowly is cut off."""


_places = threading.BoundedSemaphore(MOST_CHILDREN)


class ChildFailedError(Exception):
    """A child failed after its first lines were sent: the answer breaks off, so that nobody takes it for complete."""


async def child_answer(arguments: Sequence[str], media_type: str, filename: str | None = None) -> StreamingResponse:
    """The output of `outlast ARGUMENTS`, streamed. It begins when the child has written something or ended well.

    filename : str | None — the name under which a browser saves it; None: the browser shows it
    Errors: ProblemError 503 where too many children run already, or where the child fails before it writes.
    """
    written = _written(arguments)
    try:
        first = await anext(written, b"")
    except ChildFailedError as error:
        raise ProblemError(503, Said("usage.record_out_of_reach"), {"Retry-After": "60"}) from error
    headers = {} if filename is None else {"Content-Disposition": f'attachment; filename="{filename}"'}
    return StreamingResponse(_joined(first, written), media_type=media_type, headers=headers)


async def _joined(first: bytes, rest: AsyncGenerator[bytes, None]) -> AsyncIterator[bytes]:
    try:
        yield first
        async for chunk in rest:
            yield chunk
    finally:
        await rest.aclose()


async def _written(arguments: Sequence[str]) -> AsyncGenerator[bytes, None]:
    """A child's output in pieces. The child is ended where nobody reads on. ChildFailedError, ProblemError 503."""
    if not _places.acquire(blocking=False):
        raise ProblemError(503, Said("usage.answers_being_made", most=MOST_CHILDREN), {"Retry-After": "10"})
    try:
        with tempfile.TemporaryFile() as said:
            made = await open_process(child_command(*arguments), stdin=DEVNULL, stderr=said, env=child_environment())
            async with made as child:
                cut = asyncio.get_running_loop().call_later(LIMIT_S, child.kill)
                try:
                    assert child.stdout is not None
                    async for chunk in child.stdout:
                        yield chunk
                    code = await child.wait()
                finally:
                    cut.cancel()
                    if child.returncode is None:
                        child.kill()
            if code != 0:
                said.seek(0)
                log.warning("a child process failed (%d): %s", code, said.read()[-500:].decode(errors="replace"))
                raise ChildFailedError(f"exit code {code}")
    finally:
        _places.release()
