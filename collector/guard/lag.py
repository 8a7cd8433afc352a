"""A device's clock: a lag that stays the same is the clock's, and is set right; a time ahead of its arrival is not
believed before that."""

from __future__ import annotations

from collections import deque

ON_TIME_MS = 120_000
"""A source time that is no further from its arrival is taken as it is."""

ENOUGH, SPAN_MS, SPREAD_MS = 5, 240_000, 60_000
"""So many messages over so long must agree to within so much."""

QUARTER_MS = 900_000
STRAYED = 5
"""So many messages in a row that disagree end what was believed of the clock."""


class ClockLag:
    """How far one device's clock is behind its messages' arrival.

    ms : int | None — the constant lag [ms], negative where the clock is ahead; None: none is known
    """

    __slots__ = ("ms", "seen", "strayed")

    def __init__(self, ms: int | None = None) -> None:
        self.ms = ms
        self.seen: deque[tuple[int, int]] = deque(maxlen=60)
        self.strayed = 0

    def corrected(self, time_ms: int, arrived_ms: int) -> int | None:
        """The time that is believed; None where it lies ahead and nothing explains it."""
        lag = arrived_ms - time_ms
        if -ON_TIME_MS <= lag <= ON_TIME_MS:
            self.ms = None
            if self.seen:
                self.seen.clear()
            return time_ms
        self.seen.append((arrived_ms, lag))
        self._judge(arrived_ms)
        if self.ms is not None and lag >= self.ms - ON_TIME_MS:
            return time_ms + self.ms
        return time_ms if lag > 0 else None

    def _judge(self, arrived_ms: int) -> None:
        """Whether the last messages agree on a lag."""
        first = next((at for at, _ in self.seen if arrived_ms - at <= 3 * SPAN_MS), arrived_ms)
        lately = [lag for at, lag in self.seen if at >= first]
        agreed = len(lately) >= ENOUGH and arrived_ms - first >= SPAN_MS and max(lately) - min(lately) <= SPREAD_MS
        if agreed:
            lag = min(lately)
            rounded = round(lag / QUARTER_MS) * QUARTER_MS
            lag = rounded if rounded and abs(lag - rounded) <= SPREAD_MS else lag
            if self.ms is None or abs(lag - self.ms) > SPREAD_MS:
                self.ms = lag
            self.strayed = 0
        elif self.ms is not None and abs(self.seen[-1][1] - self.ms) > ON_TIME_MS and self.seen[-1][1] < self.ms:
            self.strayed += 1
            if self.strayed >= STRAYED:
                self.ms, self.strayed = None, 0
