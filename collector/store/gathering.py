"""Commits of several writers as one: what others bring while one of them writes goes into the next commit.

A store takes one batch at a time, and a batch costs the same few requests however small it is. Where many collectors
write a few readings each, they would wait for one another's commits.
"""

from __future__ import annotations

import threading
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import chain

from forecaster.domain.errors import StoreError
from forecaster.domain.ports import ReadingStore
from forecaster.domain.readings import Reading

MOST = 5_000
"""Readings after which a commit takes in no further writer's."""


@dataclass(slots=True, eq=False)
class _Brought:
    """The readings of one writer.

    changed : int | None — how many rows they changed; None: not stored
    alone : bool — whether its writer has to store them by itself, unless they are stored
    """

    readings: Sequence[Reading]
    changed: int | None = None
    alone: bool = False


class GatheredWrites:
    """Stores readings for several threads."""

    def __init__(self, store: ReadingStore) -> None:
        self._store = store
        self._lock = threading.Lock()
        self._writing = threading.Lock()
        self._waiting: list[_Brought] = []

    def append(self, readings: Sequence[Reading]) -> int:
        """Store readings, durable on return, maybe together with those of others.

        Returns how many rows are new or changed. Of a commit of several writers all rows are told to one of them.
        Errors: those of the store, about these readings.
        """
        mine = _Brought(readings)
        with self._lock:
            self._waiting.append(mine)
        with self._writing:
            while mine.changed is None and not mine.alone:
                self._write(self._gathered())
            return self._store.append(readings) if mine.changed is None else mine.changed

    def _gathered(self) -> list[_Brought]:
        """Those who wait, in the order in which they came, until there are enough."""
        with self._lock:
            count = taken = 0
            while taken < len(self._waiting) and count < MOST:
                count += len(self._waiting[taken].readings)
                taken += 1
            gathered, self._waiting = self._waiting[:taken], self._waiting[taken:]
        return gathered

    def _write(self, gathered: Sequence[_Brought]) -> None:
        """Store what several brought; where that fails each does so alone, so that no refusal is another's."""
        for one in gathered:
            one.alone = True
        try:
            changed = self._store.append(list(chain.from_iterable(one.readings for one in gathered)))
        except StoreError:
            return
        for place, one in enumerate(gathered):
            one.changed = 0 if place else changed
