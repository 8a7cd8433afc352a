"""A device's clock: a lag that stays constant is attributed to the clock and corrected; until it is known, a time ahead
of its arrival is not believed."""

from __future__ import annotations

from collections import deque

ON_TIME_MS = 120_000
"""A source time no further from its arrival than this is believed as it is [ms]."""

ENOUGH, SPAN_MS, SPREAD_MS = 5, 240_000, 60_000
"""How many messages, over which time, must agree to within which tolerance [ms]."""

QUARTER_MS = 900_000
STRAYED = 5
"""After this many messages in a row that disagree, the lag is no longer believed."""


class ClockLag:
    """How far the clock of one device is behind the arrival of its messages.

    ms : int | None — the constant lag [ms], negative where the clock is ahead; None: none is known
    """

    __slots__ = ("ms", "seen", "strayed")

    def __init__(self, ms: int | None = None) -> None:
        self.ms = ms
        self.seen: deque[tuple[int, int]] = deque(maxlen=60)
        self.strayed = 0

    def corrected(self, time_ms: int, arrived_ms: int) -> int | None:
        """The time to be believed; None where it lies ahead without an explanation."""
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
        """Judge whether the last messages agree on a lag."""
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
