"""Rests of an output: a load that is listed as steady may rest like a freezer, and then the pack has not tripped."""

from __future__ import annotations

from statistics import median

import msgspec

from forecaster.domain.status import ASLEEP_W
from forecaster.domain.times import DAY_MS, MINUTE_MS

SHORTEST_MS = MINUTE_MS
"""An output that gives nothing for less has not rested [ms] (common practice, no source)."""

LEAST_RESTS = 3
"""So many rests within a day are how the load works (common practice, no source). Fewer may be a pack that tripped and
that somebody set right."""

_KEPT = 8
_LONGER = 2.0
"""The newest rests that are kept; a rest may last so many times the median one (common practice, no source)."""


class Rests(msgspec.Struct):
    """The spells in which an output gave nothing and after which it gave something again by itself.

    since_ms : int | None — since when it gives nothing [UTC ms]; None: it gives something
    last_ms : int | None — of the newest reading [UTC ms]
    ended : list of (end, length) — the newest of these spells [UTC ms], [ms]
    """

    since_ms: int | None = None
    last_ms: int | None = None
    ended: list[tuple[int, int]] = msgspec.field(default_factory=list)

    def feed(self, at_ms: int, watts: float, pump_from_w: float, gap_ms: int) -> None:
        """Take a reading of the output.

        watts : float — the output [W]; from pump_from_w on the pump runs, and nothing is told of the loads beside it
        gap_ms : int — after a longer interval a spell begins anew, for nobody saw whether it lasted [ms]
        """
        if watts >= pump_from_w:
            return
        if self.last_ms is not None and at_ms - self.last_ms > gap_ms:
            self.since_ms = None
        self.last_ms = at_ms
        if watts < ASLEEP_W:
            self.since_ms = at_ms if self.since_ms is None else self.since_ms
            return
        if self.since_ms is not None and at_ms - self.since_ms >= SHORTEST_MS:
            self.ended = [*self.ended, (at_ms, at_ms - self.since_ms)][-_KEPT:]
        self.since_ms = None

    def usual(self, now_ms: int) -> bool:
        """Whether it gives nothing now as it has done before within a day, and not for much longer than then."""
        lengths = [length for end_ms, length in self.ended if now_ms - end_ms <= DAY_MS]
        if self.since_ms is None or len(lengths) < LEAST_RESTS:
            return False
        return now_ms - self.since_ms <= _LONGER * median(lengths)
