"""Counts of a channel's messages over the last half hour to hour."""

from __future__ import annotations

import re

HALF_MS = 1_800_000
LEAST_REFUSED, REFUSED_SHARE = 3, 0.05
"""So many messages refused, and this share of all, is much: one in ten must be told of, a single one not."""
LEAST_OF_ONE_KIND, NEWS_SHARE = 5, 0.5
SHAPE = re.compile(r"'[^']*'|\d+")
NUMBER, DAY_MS = re.compile(r"'[-+]?\d"), 86_400_000
"""A refused text that begins with a number would have told something: it counts until something new is taken, or for a
day after the last of its like. A pump that runs once an hour sends "500 W" that seldom, and "0" in between."""


def much_refused(refused: int, taken: int) -> bool:
    """Whether so many messages were refused, beside those taken, that their owner has to know."""
    return refused >= LEAST_REFUSED and refused >= REFUSED_SHARE * (refused + taken)


class Counts:
    """Counts of half an hour: messages taken, refused, withheld, and taken ones that changed the value."""

    __slots__ = ("changed", "kinds", "refused", "taken", "withheld")

    def __init__(self) -> None:
        self.taken = self.refused = self.withheld = self.changed = 0
        self.kinds: dict[str, int] = {}


class Window:
    """The counts of this half hour and the one before.

    unread, unread_ms : numbers refused since something new was last taken, and when the last of them came
    """

    __slots__ = ("half", "last", "now", "reason", "unread", "unread_ms")

    def __init__(self) -> None:
        self.half: int | None = None
        self.now, self.last = Counts(), Counts()
        self.reason = ""
        self.unread = self.unread_ms = 0

    def turn(self, at_ms: int) -> Counts:
        """The counts of a moment's half hour."""
        half = at_ms // HALF_MS
        if half != self.half:
            self.last = self.now if self.half is not None and half == self.half + 1 else Counts()
            self.now, self.half = Counts(), half
        return self.now

    def refuse(self, at_ms: int, reason: str) -> None:
        """Count a refused message."""
        counts = self.turn(at_ms)
        counts.refused += 1
        shape = SHAPE.sub("_", reason)
        if shape in counts.kinds or len(counts.kinds) < 16:
            counts.kinds[shape] = counts.kinds.get(shape, 0) + 1
        if NUMBER.search(reason):
            self.unread = 1 + (self.unread if at_ms - self.unread_ms <= DAY_MS else 0)
            self.unread_ms = at_ms
        self.reason = reason

    def news(self, counts: Counts) -> None:
        """Note that a message was taken that tells anything new."""
        counts.changed += 1
        self.unread = 0

    @property
    def taken(self) -> int:
        """Messages taken within the window, withheld ones included."""
        return self.now.taken + self.last.taken

    @property
    def refused(self) -> int:
        """Messages refused within the window."""
        return self.now.refused + self.last.refused

    @property
    def withheld(self) -> int:
        """Messages withheld within the window."""
        return self.now.withheld + self.last.withheld

    @property
    def refuses_much(self) -> bool:
        """Whether a twentieth of the messages is refused, or most of those that tell anything new, however seldom."""
        refused = self.refused
        if much_refused(refused, self.taken) or self.unread >= LEAST_OF_ONE_KIND:
            return True
        changed = self.now.changed + self.last.changed
        kinds = self.now.kinds.keys() | self.last.kinds.keys()
        most = max((self.now.kinds.get(kind, 0) + self.last.kinds.get(kind, 0) for kind in kinds), default=0)
        return most >= LEAST_OF_ONE_KIND and refused >= NEWS_SHARE * (refused + changed)
