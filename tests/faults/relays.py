"""Lines of one worker to its servers, carried by a process of their own so that who tests takes no part in it.

While that process is stopped the worker is cut off: bytes wait both ways, nobody hangs up, and new connections are
taken and not answered. What was sent meanwhile arrives late, as from a network that comes back.

`python -m tests.faults.relays PORT…` says the ports of the lines, and carries until it is killed.
"""

from __future__ import annotations

import asyncio
import json
import signal
import subprocess
import sys
from collections.abc import Sequence
from contextlib import suppress

from tests.engines import ROOT

PIECE = 65_536


class Relays:
    """The process. ports : list[int] — where the lines begin, in the order of the servers' ports"""

    def __init__(self, servers: Sequence[int]) -> None:
        words = [sys.executable, "-m", "tests.faults.relays", *map(str, servers)]
        self._process = subprocess.Popen(words, cwd=ROOT, stdout=subprocess.PIPE, text=True)
        assert self._process.stdout is not None
        with self._process.stdout as said:
            self.ports: list[int] = json.loads(said.readline())

    def hold(self, *, held: bool) -> None:
        """Cut the lines, or let pass again what was sent meanwhile and what comes."""
        self._process.send_signal(signal.SIGSTOP if held else signal.SIGCONT)

    def close(self) -> None:
        """End for good."""
        self._process.kill()
        self._process.wait()


async def _carry(source: asyncio.StreamReader, target: asyncio.StreamWriter) -> None:
    with suppress(OSError):
        while part := await source.read(PIECE):
            target.write(part)
            await target.drain()
    target.close()


async def _line(port: int) -> asyncio.Server:
    """A line to a server's port, from a port of its own."""

    async def taken(near: asyncio.StreamReader, to_near: asyncio.StreamWriter) -> None:
        try:
            far, to_far = await asyncio.open_connection("127.0.0.1", port)
        except OSError:
            to_near.close()
            return
        await asyncio.gather(_carry(near, to_far), _carry(far, to_near))

    return await asyncio.start_server(taken, "127.0.0.1", 0, backlog=128)


async def _relay(servers: Sequence[int]) -> None:
    lines = [await _line(port) for port in servers]
    sys.stdout.write(json.dumps([line.sockets[0].getsockname()[1] for line in lines]) + "\n")
    sys.stdout.flush()
    await asyncio.gather(*(line.serve_forever() for line in lines))


if __name__ == "__main__":
    asyncio.run(_relay([int(port) for port in sys.argv[1:]]))
