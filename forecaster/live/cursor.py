"""The forecaster's position in the store: one cursor for all sites, reached from where each of them had stopped.

Checkpoints are written some sites at a time, so after a restart sites have different cursors. Each group of sites with
the same cursor catches up alone; then all continue from the first group's cursor, and readings beyond it that the
other groups have already taken are skipped. Every reading is folded exactly once, in the order of storing.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass

from forecaster.domain.ports import ReadingStore
from forecaster.domain.readings import Reading

BATCH = 5_000

Take = Callable[[Sequence[Reading]], None]
"""Takes a batch of readings in order. Even if it raises, it must have taken them."""


@dataclass(slots=True)
class CursorGroup:
    """Sites with the same cursor."""

    sites: frozenset[str]
    cursor: str | None


class StoreCursor:
    """One cursor over some sites of a store. Errors: those of the store; a failed step can be repeated.

    starts : Mapping[str, str | None] — the cursor that each site had reached; None: none of its readings was folded
    joined : bool — whether all sites stand at one cursor, and may step
    """

    def __init__(self, store: ReadingStore, starts: Mapping[str, str | None]) -> None:
        self._store, self._sites = store, frozenset(starts)
        by_cursor: dict[str | None, set[str]] = {}
        for site, cursor in starts.items():
            by_cursor.setdefault(cursor, set()).add(site)
        self._groups = [CursorGroup(frozenset(sites), cursor) for cursor, sites in by_cursor.items()]
        self._passed: set[Reading] = set()
        self._cursor: str | None = None
        self.joined = False

    def catch_up(self, take: Take, ending: Callable[[], bool]) -> None:
        """Fold all that is already stored, group by group, and join the groups. Returns early when asked to end."""
        batches = self.batches(take)
        while not ending() and not self.joined:
            next(batches, None)

    def batches(self, take: Take) -> Iterator[None]:
        """`catch_up` a batch at a time, for those who have other work between; after an error it begins anew."""
        for group in self._groups:
            yield from self._follow(group, take, [])
        beyond: list[Reading] = []
        for place, group in enumerate(self._groups):
            yield from self._follow(group, take, beyond if place else [])
        self._cursor = self._groups[0].cursor if self._groups else None
        self._passed = set(beyond)
        self.joined = True

    def _follow(self, group: CursorGroup, take: Take, found: list[Reading]) -> Iterator[None]:
        """Fold the readings that a group has not had yet, and add them to those found."""
        while group.sites:
            tail = self._store.tail(group.cursor, BATCH, group.sites)
            group.cursor = tail.cursor
            take(tail.readings)
            found += tail.readings
            if len(tail.readings) < BATCH:
                break
            yield

    def leave(self, sites: Collection[str]) -> None:
        """Follow these sites no longer."""
        self._sites = self._sites.difference(sites)
        for group in self._groups:
            group.sites = group.sites.difference(sites)

    def step(self, take: Take) -> bool:
        """Fold a batch of new readings. Returns whether there may be more."""
        if not self._sites:
            return False
        tail = self._store.tail(self._cursor, BATCH, self._sites)
        fresh = [r for r in tail.readings if r not in self._passed] if self._passed else tail.readings
        self._cursor = tail.cursor
        more = len(tail.readings) >= BATCH
        if not more:
            self._passed.clear()
        take(fresh)
        return more

    def standing(self) -> list[CursorGroup]:
        """The sites by exact cursor; empty while groups are being joined."""
        if not self.joined:
            return list(self._groups)
        return [] if self._passed else [CursorGroup(self._sites, self._cursor)]
