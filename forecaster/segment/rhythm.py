"""How often a quantity reports: its usual interval, whether it reports on change, and how long a silence is a gap.

Intervals are counted in powers of two, so that one lost message or one storm does not move the limits.
"""

from __future__ import annotations

import msgspec

COPY_MS = 50
"""The same value again so soon is a copy: two filters of one client match its topic, and its time is that of its
arrival [ms]. No plug samples twenty times a second (common practice, no source)."""

START_LIMIT_MS = 180_000
"""How long a silence is taken for a gap before the rhythm is known [ms]."""

LEAST_GAP_MS = 15_000
LEAST_SILENCE_MS = 90_000
_BUCKETS = 40
_ENOUGH = 20
_FORGET_AT = 4_000
_STEP, _PART_STEP = 1.05, 1.05 ** (1.0 / 9.0)
_OFF_BEAT, _MISSED_BEAT = 0.7, 1.6
_REGULAR, _LEAST_BEAT, _MOST_BEAT = 0.9, 0.8, 1.25
_SELDOM_MS = 90_000
"""A line that fails is seldom back before one and a half of a usual keep-alive of a minute (MQTT 5.0, 3.1.2.10): a
shorter beat misses one in it."""
_ON_CHANGE = 0.3
_IDLE_GAIN, _BEATS = 0.02, 0.2
"""A source that reports changes and regularly in between is missed as soon as one that only reports regularly."""


class Rhythm(msgspec.Struct):
    """The reporting rhythm of one quantity.

    stated_ms : int | None — the owner's own limit for silence [ms]; None: learnt
    last_ms, last_value : the newest reading; None: never heard
    changed_ms : int | None — when the value last differed from the one before
    steady_ms : float | None — median interval between readings while nothing happens [ms]
    off_beat : float — share, 0..1, of the newest edges outside the regular beat: high for reports on change
    edged : bool — whether the newest interval but those in a run ended in an edge
    idle : float — share, 0..1, of the newest intervals within which nothing happened: high where it reports unasked
    on_beat : float — share, 0..1, of the newest intervals from beat to beat that are as long as is usual
    lapse_ms : int | None — newest reading that tells of one that was lost: the beat before it did not come, or it comes
        off the beat and tells of no change; None: none yet [UTC milliseconds]
    """

    stated_ms: int | None = None
    last_ms: int | None = None
    last_value: float | None = None
    changed_ms: int | None = None
    steady_ms: float | None = None
    off_beat: float = 0.0
    idle: float = 0.0
    edged: bool = False
    on_beat: float = 0.0
    lapse_ms: int | None = None
    count: int = 0
    buckets: list[int] = msgspec.field(default_factory=lambda: [0] * _BUCKETS)
    gap_ms: int = START_LIMIT_MS

    @property
    def on_change(self) -> bool:
        """Whether the quantity reports when it changes, so that an edge is seen at once."""
        return self.off_beat > _ON_CHANGE

    @property
    def untraced(self) -> bool:
        """Whether readings can be lost without a trace: between changes it tells nothing, or seldom, or irregularly."""
        if self.steady_ms is None or self.on_beat < _REGULAR:
            return True
        return self.on_change and (self.idle < _BEATS or self.steady_ms > _SELDOM_MS)

    @property
    def sample_s(self) -> float:
        """Usual interval between samples [s]; 0 for reports on change, or where it is not known."""
        return 0.0 if self.on_change else (self.steady_ms or 0.0) / 1000.0

    @property
    def silence_ms(self) -> int:
        """Age of the newest reading beyond which the quantity is silent [ms]."""
        if self.stated_ms is not None:
            return self.stated_ms
        return max(self.gap_ms, LEAST_SILENCE_MS)

    def copied(self, at_ms: int, value: float) -> bool:
        """Whether a reading newer than the last is a copy of it."""
        return self.last_ms is not None and at_ms - self.last_ms <= COPY_MS and value == self.last_value

    def heard(self, at_ms: int, value: float) -> int | None:
        """Take a reading newer than the last. Returns the interval since that one [ms]; None for the first."""
        last = self.last_ms
        self.last_ms = at_ms
        if value != self.last_value:
            self.changed_ms = at_ms
            self.last_value = value
        if last is None:
            return None
        interval = at_ms - last
        if self.steady_ms is not None and interval > _MISSED_BEAT * self.steady_ms:
            self.lapse_ms = at_ms
        bucket = interval.bit_length()
        self.buckets[bucket if bucket < _BUCKETS else _BUCKETS - 1] += 1
        self.count += 1
        if self.count & 31 == 0 or self.count == _ENOUGH:
            self._learn()
        return interval

    def steady(self, interval_ms: int) -> None:
        """Record an interval within which nothing happened: it moves the median by a step.

        From an edge to the next beat of a source that reports on change is less than the beat, and a storm leaves no
        other intervals: of those it is the upper tenth that is followed.
        """
        self.idle += _IDLE_GAIN * (1.0 - self.idle)
        steady, edged, self.edged = self.steady_ms, self.edged, False
        if steady is not None and not edged:
            usual = _LEAST_BEAT * steady <= interval_ms <= _MOST_BEAT * steady
            self.on_beat += _IDLE_GAIN * (usual - self.on_beat)
            if self.on_change and interval_ms < _OFF_BEAT * steady:
                self.lapse_ms = self.last_ms
        if steady is None:
            self.steady_ms = float(interval_ms)
        elif interval_ms > steady:
            self.steady_ms = steady * _STEP
        else:
            self.steady_ms = steady / (_PART_STEP if edged else _STEP)

    def edge(self, interval_ms: int) -> None:
        """Record an interval that ended in a change of state."""
        self.idle -= _IDLE_GAIN * self.idle
        self.edged = True
        off = 1.0 if self.steady_ms is None or interval_ms < _OFF_BEAT * self.steady_ms else 0.0
        self.off_beat += 0.1 * (off - self.off_beat)

    def typical_ms(self) -> int | None:
        """Upper end of the power-of-two bucket that holds the median interval [ms]; None before it is known."""
        return self._quantile(0.5) if self.count else None

    def silent(self, now_ms: int) -> bool:
        """Whether nothing was heard for longer than the rhythm explains; True where it never was."""
        return self.last_ms is None or now_ms - self.last_ms > self.silence_ms

    def _quantile(self, share: float) -> int:
        need, seen = share * sum(self.buckets), 0
        for index, count in enumerate(self.buckets):
            seen += count
            if count and seen >= need:
                return 1 << index
        return START_LIMIT_MS

    def _learn(self) -> None:
        if self.count >= _FORGET_AT:
            self.buckets = [count // 2 for count in self.buckets]
            self.count = sum(self.buckets)
        if not self.on_change:
            self.gap_ms = max(3 * self._quantile(0.98), LEAST_GAP_MS)
        elif self.idle >= _BEATS and self.steady_ms is not None:
            self.gap_ms = max(int(3.0 * self.steady_ms), self._quantile(0.98), LEAST_GAP_MS)
        else:
            widest = max((index for index, count in enumerate(self.buckets) if count >= 2), default=0)
            self.gap_ms = max(2 * (1 << widest), LEAST_GAP_MS)
