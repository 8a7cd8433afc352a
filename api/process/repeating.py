"""A worker beside the API that does one thing now and then, and waits for the stores while they are unavailable."""

from __future__ import annotations

import logging
from abc import abstractmethod

from forecaster.domain.errors import StoreError
from forecaster.live.looping import LoopThread

log = logging.getLogger("outlast")


class RepeatingWorker(LoopThread):
    """Calls `once` again and again in a thread of its own. start(), stop(); waking it changes nothing.

    first_s, rest_s : float — how long it waits before the first time, and between one time and the next [s]
    """

    def __init__(self, name: str, first_s: float, rest_s: float) -> None:
        super().__init__(name)
        self._first_s, self._rest_s = first_s, rest_s

    def stop(self, timeout_s: float = 30.0) -> None:
        """End the work in progress, and the thread; waits at most so long [s]."""
        super().stop(timeout_s)

    def turns(self) -> None:
        """Not reported: a slow worker of this kind is no fault of this process."""

    def troubles(self) -> list[tuple[str, str]]:
        """None: failures are logged, and the work is tried again."""
        return []

    @abstractmethod
    def once(self) -> None:
        """Do the work once. StoreError, OSError where that is not possible now."""

    def _work(self) -> None:
        rest_s = self._first_s
        while not self._ending.wait(rest_s):
            try:
                self.once()
            except (StoreError, OSError) as error:
                log.warning("%s: not done for now: %s", self._thread.name, error)
            rest_s = self._rest_s
