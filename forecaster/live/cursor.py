"""Where the forecaster stands in the store: one cursor for all sites, reached from where each of them had stopped.

Checkpoints are written some sites at a time, so after a restart sites stand at different cursors. Each group is caught
up alone; then all go on from the cursor of the first, and what the other groups have taken beyond it is passed over
once. Every reading is folded exactly once, in the order of storing.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from forecaster.domain.ports import ReadingStore
from forecaster.domain.readings import Reading

BATCH = 5_000

Take = Callable[[Sequence[Reading]], None]
"""Takes a batch of readings, in order. Where it fails it has taken them all the same."""


@dataclass(slots=True)
class CursorGroup:
    """Sites that stand at the same cursor."""

    sites: frozenset[str]
    cursor: str | None


class StoreCursor:
    """One cursor over some sites of a store. Errors: those of the store; a step that failed is done again.

    starts : Mapping[str, str | None] — the cursor that each site had reached; None: nothing of it was folded
    """

    def __init__(self, store: ReadingStore, starts: Mapping[str, str | None]) -> None:
        self._store, self._sites = store, frozenset(starts)
        by_cursor: dict[str | None, set[str]] = {}
        for site, cursor in starts.items():
            by_cursor.setdefault(cursor, set()).add(site)
        self._groups = [CursorGroup(frozenset(sites), cursor) for cursor, sites in by_cursor.items()]
        self._passed: set[Reading] = set()
        self._cursor: str | None = None
        self._joined = self._nearly = False

    def catch_up(self, take: Take, ending: Callable[[], bool]) -> None:
        """Fold all that is stored already, group by group, and join the groups; returns early where asked to end."""
        self._nearly = False
        for group in self._groups:
            self._follow(group, take, ending)
        self._nearly = True
        beyond: list[Reading] = []
        for place, group in enumerate(self._groups):
            found = self._follow(group, take, ending)
            if place:
                beyond += found
        if not ending():
            self._cursor = self._groups[0].cursor if self._groups else None
            self._passed = set(beyond)
            self._joined = True

    def _follow(self, group: CursorGroup, take: Take, ending: Callable[[], bool]) -> list[Reading]:
        """Fold what a group has not had yet, and tell it."""
        found: list[Reading] = []
        while not ending():
            tail = self._store.tail(group.cursor, BATCH, group.sites)
            group.cursor = tail.cursor
            take(tail.readings)
            found += tail.readings if self._nearly else ()
            if len(tail.readings) < BATCH:
                break
        return found

    def step(self, take: Take) -> bool:
        """Fold a batch of what is new; whether there may be more."""
        tail = self._store.tail(self._cursor, BATCH, self._sites)
        fresh = [r for r in tail.readings if r not in self._passed] if self._passed else tail.readings
        self._cursor = tail.cursor
        more = len(tail.readings) >= BATCH
        if not more:
            self._passed.clear()
        take(fresh)
        return more

    def standing(self) -> list[CursorGroup]:
        """Which sites stand at which cursor, exactly; none while groups are being joined."""
        if not self._joined:
            return list(self._groups)
        return [] if self._passed else [CursorGroup(self._sites, self._cursor)]
