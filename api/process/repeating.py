"""A worker beside the API that does one thing now and then, and waits for the stores where they are away."""

from __future__ import annotations

import logging
import threading

from forecaster.domain.errors import StoreError

log = logging.getLogger("outlast")


class RepeatingWorker:
    """Calls `once` again and again in a thread of its own. start(), stop().

    first_s, rest_s : float — how long it waits before the first time, and between one time and the next [s]
    """

    def __init__(self, name: str, first_s: float, rest_s: float) -> None:
        self._first_s, self._rest_s = first_s, rest_s
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._work, name=name, daemon=True)

    def start(self) -> None:
        """Start the thread."""
        self._thread.start()

    def stop(self) -> None:
        """End what is under way, and the thread."""
        self._ending.set()
        if self._thread.ident is not None:
            self._thread.join(30.0)

    def wake(self) -> None:
        """It waits for nobody."""

    def alive(self) -> bool:
        """Whether the thread runs."""
        return self._thread.is_alive()

    def turns(self) -> None:
        """Nothing to tell: that it is slow is no fault of this process."""

    def troubles(self) -> list[tuple[str, str]]:
        """None: what it fails with is logged, and tried again."""
        return []

    def once(self) -> None:
        """What it does; StoreError, OSError where that cannot be done now."""
        raise NotImplementedError

    def _work(self) -> None:
        rest_s = self._first_s
        while not self._ending.wait(rest_s):
            rest_s = self._rest_s
            try:
                self.once()
            except (StoreError, OSError) as error:
                log.warning("%s: not done for now: %s", self._thread.name, error)
