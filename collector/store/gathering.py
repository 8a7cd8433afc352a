"""Commits of several writers as one: what others bring while one of them writes goes into the next commit.

A store takes one batch at a time, and a batch costs the same few requests however small it is. Where many collectors
write a few readings each, they would wait for one another's commits. After each there is a rest in proportion to
what it took, so that they grow with the load instead of following one another without a pause.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import chain

from forecaster.domain.errors import StoreError
from forecaster.domain.ports import ReadingStore
from forecaster.domain.readings import Reading

MOST = 5_000
"""Readings after which a commit takes in no further writer's, and for which no commit waits longer."""

SHARE, LONGEST_REST_S = 0.1, 0.5
"""Commits take at most this share of the time, unless the rest between two would be longer than the second [s]."""


@dataclass(slots=True, eq=False)
class _Brought:
    """The readings of one writer.

    changed : int | None — how many rows they changed; None: not stored
    alone : bool — whether its writer has to store them by itself, unless they are stored
    """

    readings: Sequence[Reading]
    changed: int | None = None
    alone: bool = False


def rest_s(took_s: float) -> float:
    """How long to rest after a commit [s]. took_s : float — how long it took [s]"""
    return min(LONGEST_REST_S, took_s * (1.0 / SHARE - 1.0))


class GatheredWrites:
    """Stores readings for several threads."""

    def __init__(self, store: ReadingStore) -> None:
        self._store = store
        self._lock = threading.Lock()
        self._writing = threading.Lock()
        self._waiting: list[_Brought] = []
        self._enough = threading.Event()
        self._from_s = float("-inf")

    def append(self, readings: Sequence[Reading]) -> int:
        """Store readings, durable on return, maybe together with those of others.

        Returns how many rows are new or changed. Of a commit of several writers all rows are told to one of them.
        Errors: those of the store, about these readings.
        """
        mine = _Brought(readings)
        with self._lock:
            self._waiting.append(mine)
            self._weigh()
        with self._writing:
            while mine.changed is None and not mine.alone:
                self._enough.wait(max(0.0, self._from_s - time.monotonic()))
                self._write(self._gathered())
            return self._store.append(readings) if mine.changed is None else mine.changed

    def _weigh(self) -> None:
        """Note whether enough waits for a commit to be worth while at once."""
        if sum(len(one.readings) for one in self._waiting) >= MOST:
            self._enough.set()
        else:
            self._enough.clear()

    def _gathered(self) -> list[_Brought]:
        """Those who wait, in the order in which they came, until there are enough."""
        with self._lock:
            count = taken = 0
            while taken < len(self._waiting) and count < MOST:
                count += len(self._waiting[taken].readings)
                taken += 1
            gathered, self._waiting = self._waiting[:taken], self._waiting[taken:]
            self._weigh()
        return gathered

    def _write(self, gathered: Sequence[_Brought]) -> None:
        """Store what several brought; where that fails each does so alone, so that no refusal is another's."""
        for one in gathered:
            one.alone = True
        began_s = time.monotonic()
        try:
            changed = self._store.append(list(chain.from_iterable(one.readings for one in gathered)))
        except StoreError:
            return
        finally:
            ended_s = time.monotonic()
            self._from_s = ended_s + rest_s(ended_s - began_s)
        for place, one in enumerate(gathered):
            one.changed = 0 if place else changed
