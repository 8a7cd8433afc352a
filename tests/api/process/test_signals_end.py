"""Signals that come while the main thread holds a lock, or within a library that loses what is raised in it."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator

import pytest

from api.process.signals import ENDING, interrupt_ends, signals_end
from tests.engines import ROOT

PATIENCE_S = 240.0


@pytest.fixture(autouse=True)
def heard() -> Iterator[None]:
    """All that end a process are heard, also where this run is one in the background."""
    before = {number: signal.signal(number, signal.SIG_DFL) for number in ENDING}
    yield
    for number, handler in before.items():
        signal.signal(number, handler)


@pytest.mark.parametrize("number", ENDING)
def test_the_end_may_take_a_lock_that_the_main_thread_holds(number: signal.Signals) -> None:
    """A handler of its own would wait here for the very thread that it interrupts."""
    lock, ended = threading.Lock(), threading.Event()

    def end() -> None:
        with lock:
            ended.set()

    with signals_end(end):
        with lock:
            os.kill(os.getpid(), number)
            assert not ended.is_set()
        assert ended.wait(PATIENCE_S)


def test_a_signal_is_heard_though_the_main_thread_waits_on() -> None:
    """It comes to another thread, so that the main thread's wait is not cut short, as where it only begins to wait."""
    ended, sent = threading.Event(), threading.Event()

    def send() -> None:
        signal.pthread_kill(threading.get_ident(), signal.SIGTERM)
        sent.set()

    with signals_end(ended.set):
        later = threading.Timer(0.2, send)
        later.start()
        assert ended.wait(PATIENCE_S)
    assert sent.wait(PATIENCE_S)
    later.join()


def test_the_end_is_asked_for_once() -> None:
    """By signals of all kinds, and by somebody else's handler; the handlers of before stand again afterwards."""
    before = {number: signal.getsignal(number) for number in ENDING}
    asked: list[int] = []
    with signals_end(lambda: asked.append(1)) as tell:
        for _ in range(40_000):  # more than a pipe holds (64 KiB, pipe(7))
            tell()
        for number in (*ENDING, *ENDING):
            os.kill(os.getpid(), number)
            tell()
    assert asked == [1]
    assert {number: signal.getsignal(number) for number in ENDING} == before
    with signals_end(lambda: asked.append(2)):
        pass
    assert asked == [1], "no signal, no end"


def test_a_signal_that_is_ignored_stays_ignored() -> None:
    """As under nohup(1)."""
    before = signal.signal(signal.SIGHUP, signal.SIG_IGN)
    try:
        asked: list[int] = []
        with signals_end(lambda: asked.append(1)):
            os.kill(os.getpid(), signal.SIGHUP)
        assert asked == []
        assert signal.getsignal(signal.SIGHUP) is signal.SIG_IGN
    finally:
        signal.signal(signal.SIGHUP, before)


SWALLOWS = """
import os, signal, sys
from api.process.signals import interrupt_ends

class Loses:
    def __del__(self):
        os.kill(os.getpid(), signal.SIGINT)

signal.signal(signal.SIGINT, signal.default_int_handler)  # a run in the background ignores it
with interrupt_ends():
    Loses()
sys.stdout.write("it went on")
"""


def test_ctrl_c_ends_where_what_is_raised_is_lost() -> None:
    """Python tells of an exception in `__del__` and goes on, as compiled libraries do with one in their callbacks."""
    run = subprocess.run([sys.executable, "-c", SWALLOWS], cwd=ROOT, capture_output=True, text=True, check=False)
    assert (run.returncode, run.stdout) == (-signal.SIGINT, "")


def test_ctrl_c_is_raised_again_after_the_block() -> None:
    """And what is ignored, as in a run in the background, stays so."""
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    try:
        with interrupt_ends():
            assert signal.getsignal(signal.SIGINT) is signal.SIG_DFL
        assert signal.getsignal(signal.SIGINT) is signal.default_int_handler
        signal.signal(signal.SIGINT, signal.SIG_IGN)
        with interrupt_ends():
            assert signal.getsignal(signal.SIGINT) is signal.SIG_IGN
    finally:
        signal.signal(signal.SIGINT, before)
