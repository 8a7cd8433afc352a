"""The thread of a worker: it is started once, woken when there is news, and ended."""

from __future__ import annotations

import threading
from abc import ABC, abstractmethod

PATIENCE_S = 20.0
"""How long the end of a thread is waited for [s]."""


class LoopThread(ABC):
    """A worker with one thread that runs `_work` until it is asked to end.

    `_work` looks at `_ending` between two turns, and waits on `_woken` where news shall shorten the wait.
    """

    def __init__(self, name: str) -> None:
        self._ending = threading.Event()
        self._woken = threading.Event()
        self._thread = threading.Thread(target=self._work, name=name, daemon=True)

    @abstractmethod
    def _work(self) -> None:
        """The work of the thread: a loop that ends soon after `_ending` is set."""

    def start(self) -> None:
        """Start the thread."""
        self._thread.start()

    def wake(self) -> None:
        """There is news: look at once. From any thread."""
        self._woken.set()

    def end(self) -> None:
        """Ask the thread to end after its turn, and do not wait for it."""
        self._ending.set()
        self._woken.set()

    def stop(self, timeout_s: float = PATIENCE_S) -> None:
        """End the thread, and wait for its end: at most so long [s]."""
        self.end()
        if self._thread.ident is not None:
            self._thread.join(timeout_s)

    def alive(self) -> bool:
        """Whether the thread runs."""
        return self._thread.is_alive()
