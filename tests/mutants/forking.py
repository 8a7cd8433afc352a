"""Processes forked for one task each, and one that has the core imported already and forks them from there."""

from __future__ import annotations

import importlib
import os
import resource
import signal
import sys
import traceback
from collections.abc import Callable, Iterable, Sequence
from functools import partial
from multiprocessing import Pipe
from multiprocessing.connection import Connection
from typing import NoReturn

import pytest

from tests.mutants.covering import QUIETLY, Notes, noting_codes, trace

OPTIONS = ("-x", "--whole", "-o", "timeout=3600", *QUIETLY)
"""Of pytest: the first failure is enough, and what was traced is run even where it is slow. A test that hangs is ended
after an hour of the clock, so that none is where the machine is busy: what computes too long is ended before."""


class FirstFailure:
    """A pytest plugin that writes once which test fails, as `Cover` has it, or which file cannot be imported."""

    def __init__(self, tell: int) -> None:
        self._tell = tell
        self._done = 0

    def pytest_collectreport(self, report: pytest.CollectReport) -> None:
        """A file."""
        self._told(report)

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        """A test, whose teardown may fail after it."""
        self._told(report)

    def _told(self, report: pytest.CollectReport | pytest.TestReport) -> None:
        if report.failed and not self._done:
            self._done = os.write(self._tell, report.nodeid.partition("[")[0].encode())


Task = Callable[[int], int]
"""Gets the descriptor that it may write a line to, and gives the exit code."""


def begun(task: Task) -> tuple[int, int]:
    """Start a task in a process of its own; its id, and where what it tells is read (`told`)."""
    read, write = os.pipe()
    sys.stdout.flush()
    sys.stderr.flush()
    child = os.fork()
    if child:
        os.close(write)
        return child, read
    code = 1
    try:
        os.close(read)
        _silenced()
        code = task(write)
    finally:
        os._exit(code)


def told(read: int) -> str:
    """What a process that has ended has written; a process that it left behind is not waited for."""
    os.set_blocking(read, False)
    try:
        return os.read(read, 1 << 16).decode()
    except BlockingIOError:
        return ""
    finally:
        os.close(read)


def run_tests(tests: Sequence[str], cpu_s: int, tell: int) -> int:
    """Run tests until one fails, which is told; with so much processor time at most."""
    resource.setrlimit(resource.RLIMIT_CPU, (cpu_s, cpu_s + 5))
    return int(pytest.main([*OPTIONS, *tests], [FirstFailure(tell)]))


def _silenced() -> None:
    signal.signal(signal.SIGINT, signal.SIG_DFL)
    nothing = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nothing, 1)
    os.dup2(nothing, 2)


class Warm:
    """A process with the modules of the core imported as they are, noting what is entered.

    What it is asked for runs in a process forked from it: none has to import the core, and none sees another's.
    """

    def __init__(self, modules: Iterable[str]) -> None:
        self._asked, asked = Pipe()
        codes = noting_codes()
        child = os.fork()
        if child == 0:
            self._asked.close()
            _serve(asked, Notes(codes), list(modules))
        asked.close()

    def trace(self, name: str, *, slow: bool) -> list[str]:
        """Trace a test file, and give the tests that cannot be asked (`covering.trace`).

        RuntimeError where that fails.
        """
        code, unfit = self._done(name, slow, [], 0)
        if code:
            raise RuntimeError(f"{name} could not be traced")
        return unfit.split()

    def failing(self, tests: Sequence[str], cpu_s: int) -> str | None:
        """Which test fails of the program as it is, so that the run ends there; "" where none and the run still fails.

        None where all pass.
        """
        code, name = self._done("", False, tests, cpu_s)
        return name if code else None

    def _done(self, name: str, slow: bool, tests: Sequence[str], cpu_s: int) -> tuple[int, str]:
        self._asked.send((name, slow, tests, cpu_s))
        code, line = self._asked.recv()
        return code, line


def _traced(name: str, notes: Notes, slow: bool) -> Task:
    def task(tell: int) -> int:
        os.write(tell, " ".join(trace(name, notes, slow=slow)).encode())
        return 0

    return task


def _serve(asked: Connection, notes: Notes, modules: Sequence[str]) -> NoReturn:
    """The whole life of the process of `Warm`: it ends with the one that asks."""
    code = 1
    try:
        for module in modules:
            importlib.import_module(module)
        while True:
            name, slow, tests, cpu_s = asked.recv()
            child, read = begun(_traced(name, notes, slow) if name else partial(run_tests, tests, cpu_s))
            _, status = os.waitpid(child, 0)
            asked.send((os.waitstatus_to_exitcode(status), told(read)))
    except EOFError:
        code = 0
    except BaseException:
        traceback.print_exc()
        raise
    finally:
        os._exit(code)
