"""The signals that end a process, waited for by a thread of their own.

Python runs a signal's handler between two steps of the main thread. One that comes just as the main thread begins to
wait runs when it has been woken by something else, which may be never; and one that comes while it holds a lock waits
for itself, where it wants the same lock. So the handlers do nothing, and a thread reads the pipe into which Python puts
the number of each signal at once (`signal.set_wakeup_fd`).
"""

from __future__ import annotations

import contextlib
import os
import signal
import threading
from collections.abc import Callable, Iterator
from types import FrameType

ENDING = (signal.SIGTERM, signal.SIGINT, signal.SIGHUP)
"""All end it in good order; one that is ignored from the start, as under nohup(1), stays so."""


@contextlib.contextmanager
def interrupt_ends() -> Iterator[None]:
    """Within the block ctrl-C ends the process at once, as SIGTERM does, and raises nothing.

    Modules are loaded and settings are read by compiled code that loses what is raised in it; and ctrl-C with it.
    """
    here = threading.current_thread() is threading.main_thread()
    if not here or signal.getsignal(signal.SIGINT) is not signal.default_int_handler:
        yield
        return
    signal.signal(signal.SIGINT, signal.SIG_DFL)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, signal.default_int_handler)


@contextlib.contextmanager
def signals_end(end: Callable[[], None]) -> Iterator[Callable[[], None]]:
    """Within the block, the first signal calls `end` on another thread.

    Yields what a handler of somebody else's may call to the same effect.
    """
    heard, told = os.pipe()
    os.set_blocking(told, False)

    def wait() -> None:
        while number := os.read(heard, 1):
            if number[0] in ENDING:
                end()
                return

    def tell() -> None:
        with contextlib.suppress(BlockingIOError):  # so full that the thread has enough to read
            os.write(told, bytes([signal.SIGTERM]))

    waiting = threading.Thread(target=wait, name="signals", daemon=True)
    waiting.start()
    former = signal.set_wakeup_fd(told, warn_on_full_buffer=False)
    before = {s: signal.signal(s, _awaited) for s in ENDING if signal.getsignal(s) is not signal.SIG_IGN}
    try:
        yield tell
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
        signal.set_wakeup_fd(former)
        os.close(told)  # a thread that still waits reads the end of the pipe
        waiting.join()
        os.close(heard)


def _awaited(_number: int, _frame: FrameType | None) -> None:
    """A handler, so that the signal does not end the process by itself."""
