"""The budget of messages to a person: few in all, and grave ones always have room.

ANSI/ISA-18.2-2016 and EEMUA 191 limit alarms to what an operator can handle; someone away from home gets few of them.
Over any 24 hours at most TARGET messages of the usual kind, and never more than CEILING.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from forecaster.domain.alarms import Priority

WINDOW_MS = 24 * 3_600_000
TARGET = 6
CEILING = 10
RAISES = {Priority.LOW: TARGET, Priority.MEDIUM: TARGET + 1, Priority.HIGH: TARGET + 2, Priority.CRITICAL: CEILING}
"""A raise of this priority is told at once while fewer messages than this have been told within the window.

Up to medium priority, messages that the present outage may still need count as told.
"""
CLEARS = CEILING - 2
FIRST_REMINDER_MS = {
    Priority.CRITICAL: 30 * 60_000,
    Priority.HIGH: 2 * 3_600_000,
    Priority.MEDIUM: 24 * 3_600_000,
}
"""When an unacknowledged alarm is told again; each further reminder waits twice as long. Low ones are not repeated."""


@dataclass(slots=True)
class Budget:
    """The times at which people were told something within the last 24 hours [UTC milliseconds]."""

    told_ms: list[int] = field(default_factory=list)

    def count(self, now_ms: int) -> int:
        """Messages within the window."""
        self.told_ms = [at for at in self.told_ms if now_ms - WINDOW_MS < at <= now_ms]
        return len(self.told_ms)

    def may_raise(self, priority: Priority, owed: int, now_ms: int) -> bool:
        """Whether a raise may be told now; one that is not grave leaves room for `owed` messages to come."""
        kept = 0 if priority.rank >= Priority.HIGH.rank else owed
        return self.count(now_ms) + kept < RAISES[priority]

    def may_clear(self, now_ms: int) -> bool:
        """Whether an end that somebody waits for may be told now."""
        return self.count(now_ms) < CLEARS

    def may_repeat(self, owed: int, now_ms: int) -> bool:
        """Whether a reminder or an update may be told now and still leave room for `owed` messages to come."""
        return self.count(now_ms) + owed < TARGET

    def spend(self, now_ms: int) -> None:
        """Count one more message."""
        self.told_ms.append(now_ms)


def reminder_due(priority: Priority, told_ms: int, reminders: int, now_ms: int) -> bool:
    """Whether an alarm last told at told_ms, after so many reminders, is due to be told again."""
    first = FIRST_REMINDER_MS.get(priority)
    return first is not None and now_ms - told_ms >= first * 2**reminders


def gravest(priorities: Iterable[Priority]) -> Priority:
    """The highest priority; low for none."""
    return max(priorities, key=lambda priority: priority.rank, default=Priority.LOW)
