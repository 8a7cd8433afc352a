"""The reorder buffer: the newest readings by source time are held back a while, so that order of arrival within a
minute, duplicates and corrections do not matter.
"""

from __future__ import annotations

import msgspec

from forecaster.domain.quantities import Quantity
from forecaster.domain.readings import Reading

HELD_MS = 90_000
"""How long a reading is held after its source time, by the newest source time heard [ms]."""

LONGEST_HELD_MS, LATE_COUNT, LATE_WITHIN_MS, HELD_OVER = 600_000, 6, 3_600_000, 1.3
"""Where so many readings an hour come later than that, but not later than the longest, they are held for longer: for so
many times the latest of them, so that a slow line that mixes them up loses none (common practice, no source)."""

BATCH = 48
BATCH_MS = 60_000
"""Readings are released in batches: after so many, or after so long [ms]."""

AHEAD_MS = 120_000
"""A source time further ahead of its arrival than this is wrong, and the arrival is used [ms]."""

BEHIND_MS, BEHIND_RUN = 6 * 3_600_000, 40
"""This many readings in a row, each so far behind the newest and its arrival [ms], mean a clock that was set back."""

ORDER: tuple[Quantity, ...] = (
    Quantity.MAINS_PRESENT,
    *(q for q in Quantity if q not in (Quantity.MAINS_PRESENT, Quantity.RAIN_EXPECTED)),
)
"""The order of readings with the same time: the supply first."""

CODES: dict[Quantity, int] = {quantity: code for code, quantity in enumerate(ORDER)}

Held = tuple[int, int, str, int, float]
"""Source time [ms], code of the quantity, subject, arrival [ms], value."""


def key_of(quantity: Quantity, subject: str) -> str:
    """Name of one stream: the quantity, and the load it is of."""
    return f"{quantity}/{subject}" if subject else quantity.value


class Buffer(msgspec.Struct):
    """The readings that are held back. `settled_ms` is the time up to which they were released.

    held_ms : int — for how long they are held [ms]
    late : list — of readings of the last hour that came later than HELD_MS: the newest source time then, and how much
        older theirs was [ms]
    """

    items: list[Held] = msgspec.field(default_factory=list)
    batch: int = BATCH
    newest_ms: int = -1
    settled_ms: int = -1
    ahead_ms: int = 0
    ahead_at_ms: int | None = None
    behind_ms: int = 0
    behind_at_ms: int | None = None
    behind_run: int = 0
    held_ms: int = HELD_MS
    late: list[tuple[int, int]] = msgspec.field(default_factory=list)

    def add(self, reading: Reading) -> bool:
        """Hold a reading. Returns whether it is time to release the older ones."""
        at_ms, arrived_ms = reading.time_ms, reading.arrived_ms
        if at_ms > arrived_ms + AHEAD_MS:
            self.ahead_ms, self.ahead_at_ms = at_ms - arrived_ms, arrived_ms
            at_ms = arrived_ms
        if self._far_behind(at_ms, arrived_ms):
            return False
        self.items.append((at_ms, CODES[reading.quantity], reading.subject, arrived_ms, reading.value))
        if at_ms <= self.newest_ms:
            self._came_late(self.newest_ms - at_ms)
            return False
        if self.newest_ms < 0:
            self.settled_ms = at_ms - HELD_MS
        self.newest_ms = at_ms
        beyond = at_ms - self.settled_ms - self.held_ms
        return beyond > BATCH_MS or (beyond > 0 and len(self.items) >= self.batch)

    def _far_behind(self, at_ms: int, arrived_ms: int) -> bool:
        """Whether source times lie hours behind all others and no others come any more: a clock was set back.

        A backlog arrives between fresh readings, and is accepted.
        """
        if at_ms > self.newest_ms - BEHIND_MS or at_ms > arrived_ms - BEHIND_MS:
            self.behind_run = 0
            return False
        self.behind_run += 1
        if self.behind_run <= BEHIND_RUN:
            return False
        self.behind_ms, self.behind_at_ms = arrived_ms - at_ms, arrived_ms
        return True

    def _came_late(self, late_ms: int) -> None:
        """Learn from a reading that is so much older than the newest for how long readings must be held."""
        if HELD_MS < late_ms <= LONGEST_HELD_MS:
            self.late.append((self.newest_ms, late_ms))
            self._hold()

    def _hold(self) -> None:
        self.late = [(at_ms, by_ms) for at_ms, by_ms in self.late if self.newest_ms - at_ms <= LATE_WITHIN_MS]
        often = len(self.late) >= LATE_COUNT
        most_ms = round(HELD_OVER * max(by_ms for _, by_ms in self.late)) if often else HELD_MS
        self.held_ms = min(most_ms, LONGEST_HELD_MS)

    def settle(self) -> list[Held]:
        """Release readings older than the holding time, in order of source time; of repeats only the valid one."""
        self._hold()
        edge = max(self.newest_ms - self.held_ms, self.settled_ms)
        self.settled_ms = edge
        items = sorted(self.items)
        split = _after(items, edge)
        self.items = items[split:]
        self.batch = len(self.items) + BATCH
        return standing(items[:split])

    def waiting(self) -> list[Held]:
        """The readings still held, in order of source time; of repeats only the valid one."""
        return standing(sorted(self.items))


def standing(items: list[Held]) -> list[Held]:
    """Of sorted readings with one identity the valid one: the latest arrival, then the greatest value."""
    kept: list[Held] = []
    before: Held | None = None
    for item in items:
        if before is not None and before[0] == item[0] and before[1] == item[1] and before[2] == item[2]:
            kept[-1] = item
        else:
            kept.append(item)
        before = item
    return kept


def _after(items: list[Held], edge_ms: int) -> int:
    """Index of the first item later than a time."""
    low, high = 0, len(items)
    while low < high:
        middle = (low + high) // 2
        if items[middle][0] <= edge_ms:
            low = middle + 1
        else:
            high = middle
    return low
