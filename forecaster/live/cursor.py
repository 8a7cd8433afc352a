"""The forecaster's position in the store: one cursor for all sites, reached from where each of them had stopped.

Checkpoints are written some sites at a time, so after a restart sites have different cursors. Those that had stopped
first read up to where the next ones stopped, and go on with them, so that no span is read twice; a store reads all of a
span to find the readings of some sites. Groups that do not meet that way catch up alone; then all continue from the
first group's cursor, and readings beyond it that the other groups have already taken are skipped. Every reading is
folded exactly once, in the order of storing.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

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
        self._groups = [CursorGroup(frozenset(by_cursor[cursor]), cursor) for cursor in sorted(by_cursor, key=_age)]
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
        for group, later in pairwise(self._groups):
            yield from self._follow(group, take, [], until=later.cursor)
            if group.cursor == later.cursor:
                later.sites, group.sites = later.sites | group.sites, frozenset()
        self._groups = [group for group in self._groups if group.sites]
        for group in self._groups:
            yield from self._follow(group, take, [])
        beyond: list[Reading] = []
        for place, group in enumerate(self._groups):
            yield from self._follow(group, take, beyond if place else [])
        self._cursor = self._groups[0].cursor if self._groups else None
        self._passed = set(beyond)
        self.joined = True

    def _follow(
        self, group: CursorGroup, take: Take, found: list[Reading], *, until: str | None = None
    ) -> Iterator[None]:
        """Fold the readings that a group has not had yet, up to a cursor, and add them to those found.

        It goes on to the end where its sites leave meanwhile, since others may follow from where it stands.
        """
        while True:
            tail = self._store.tail(group.cursor, BATCH, group.sites, until=until)
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


def _age(cursor: str | None) -> tuple[int, str]:
    """Sorts cursors of a store from the oldest on, as far as their texts tell it: numbers of digits grow with time."""
    return (0, "") if cursor is None else (len(cursor), cursor)
