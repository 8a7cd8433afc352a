"""The children of a worker that study: begun when there is work, given one site at a time, ended when there is none."""

from __future__ import annotations

import asyncio
import sys
from asyncio.subprocess import Process
from dataclasses import dataclass
from pathlib import Path

import msgspec

from api.process.children import child_environment, make_way
from api.process.studies import LIMIT_S, last_line
from api.process.study_orders import StudyAnswer, StudyOrder
from forecaster.decoding.typed import from_json
from forecaster.texts.catalogue import words

SITES_A_CHILD = 200
"""How many sites a child studies before another takes its place: what the libraries keep of memory goes with it."""

IDLE_S = 30.0
"""How long a child without work is kept [s]."""


LOWER = 10
"""The niceness of a child: it gives way to forecasts, and still gets a tenth of a core that they would take whole."""

KEPT = 4096
"""How much of what a child says is kept [bytes]."""


class ChildEnded(Exception):
    """A child ended, or had to be ended, before it had answered. The text says why, in one line."""


@dataclass(slots=True, eq=False)
class Child:
    """A running child: its process, what it said, how many sites it was given, and what ends it when it is idle."""

    process: Process
    said: asyncio.Task[bytes]
    given: int = 0
    ending: asyncio.TimerHandle | None = None


class StudyChildren:
    """Gives orders to children, as many as there are orders at the same time. All methods in one event loop.

    folder : Path — of the installation; limit_s : float — how long one site may take [s]
    """

    def __init__(self, folder: Path, limit_s: float = LIMIT_S, idle_s: float = IDLE_S) -> None:
        self._command = (sys.executable, "-m", "api.process.study_child", str(folder))
        self._limit_s, self._idle_s = limit_s, idle_s
        self._idle: list[Child] = []

    async def ask(self, order: StudyOrder) -> StudyAnswer:
        """Have an order followed. Errors: ChildEnded; OSError where no child can be started."""
        child = await self._taken()
        done = False
        try:
            told = await asyncio.wait_for(self._answered(child, order), self._limit_s)
            done = True
            return told
        except TimeoutError as error:
            raise ChildEnded(words()("fault.it_was_not_done_after_s", limit_s=self._limit_s)) from error
        finally:
            if done and child.given < SITES_A_CHILD:
                child.ending = asyncio.get_running_loop().call_later(self._idle_s, self._end_idle, child)
                self._idle.append(child)
            else:
                await self._end(child)

    async def close(self) -> None:
        """End all children that have no work."""
        while self._idle:
            await self._end(self._idle.pop())

    async def _taken(self) -> Child:
        """An idle child, or a new one."""
        if self._idle:
            child = self._idle.pop()
            if child.ending is not None:
                child.ending.cancel()
            return child
        process = await asyncio.create_subprocess_exec(
            *self._command, stdin=asyncio.subprocess.PIPE, stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.PIPE, env=child_environment(),
        )  # fmt: skip
        make_way(process.pid, LOWER)
        return Child(process, asyncio.create_task(_heard(process)))

    async def _answered(self, child: Child, order: StudyOrder) -> StudyAnswer:
        child.given += 1
        stdin, stdout = child.process.stdin, child.process.stdout
        assert stdin is not None
        assert stdout is not None
        try:
            stdin.write(msgspec.json.encode(order) + b"\n")
            await stdin.drain()
            line = await stdout.readline()
        except ConnectionError:
            line = b""
        if not line.endswith(b"\n"):
            returncode = await child.process.wait()
            raise ChildEnded(last_line(await child.said) or words()("fault.exit_code", returncode=returncode))
        return from_json(line, StudyAnswer)

    def _end_idle(self, child: Child) -> None:
        """Let an idle child end by itself, as its input is closed."""
        self._idle.remove(child)
        assert child.process.stdin is not None
        child.process.stdin.close()

    async def _end(self, child: Child) -> None:
        if child.process.returncode is None:
            child.process.kill()
        await child.process.wait()
        await child.said


async def _heard(process: Process) -> bytes:
    """The end of what a child says on standard error, until it ends."""
    assert process.stderr is not None
    said = b""
    while more := await process.stderr.read(KEPT):
        said = (said + more)[-KEPT:]
    return said
