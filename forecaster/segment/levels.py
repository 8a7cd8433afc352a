"""The two levels of a pump's power, idle and running, and the thresholds between them, learnt from readings.

The nameplate is where they start. A histogram on a log scale finds the levels where the nameplate is far off.
"""

from __future__ import annotations

import math

import msgspec

_ON_SHARE = 0.40
_OFF_SHARE = 0.25
_FIRST_SHARE = 0.25
_SHARED_ON_SHARE, _SHARED_OFF_SHARE = 0.55, 0.45
_SHARED_FAR = 1.6
_IDLE_GAIN, _SHARED_GAIN = 0.02, 0.2
_PER_OCTAVE = 4
_BINS = 64
_LOOK_EVERY = 256
_LEAST_SIDE = 6
_LEAST_OCTAVES = 1.5
_LEAST_RUNNING_W = 15.0
_TRUSTED_AFTER = 4
_FAR = 1.1
_STIRRED = 0.005


class Levels(msgspec.Struct):
    """Idle and running level [W], and the thresholds with hysteresis between them.

    running_w : float — running level above idle; starts at the nameplate's
    idle_w : float — what is drawn between runs
    shared : bool — other loads share the measurement: the idle level follows fast, the running level stays near the
        nameplate's, and a step of half the pump's is no run
    running_count, idle_count : int — samples the levels rest on
    """

    running_w: float
    idle_w: float = 0.0
    shared: bool = False
    prior_w: float = 0.0
    running_count: int = 0
    idle_count: int = 0
    since_look: int = 0
    bins: list[int] = msgspec.field(default_factory=lambda: [0] * _BINS)
    on_w: float = 0.0
    off_w: float = 0.0

    def __post_init__(self) -> None:
        if self.prior_w == 0.0:
            self.prior_w = self.running_w
        if self.on_w == 0.0:
            self._set()

    @property
    def learnt(self) -> bool:
        """Whether the running level has been measured."""
        return self.running_count >= 3

    def idle(self, watts: float) -> None:
        """Take a sample between runs."""
        self.idle_count += 1
        least = _SHARED_GAIN if self.shared else _IDLE_GAIN
        gain = least if self.idle_count > 50 else max(least, 1.0 / self.idle_count)
        change = gain * (watts - self.idle_w)
        self.idle_w += change
        if not self.running_count and not self.shared:
            self._look(watts)
        if self.idle_count & 15 == 0 or abs(change) > _STIRRED * self.running_w:
            self._set()

    def running(self, watts: float) -> None:
        """Take a sample within a run. One far away, such as an inrush, moves the level no more than a near one."""
        self.running_count += 1
        gain = max(0.05, 1.0 / self.running_count)
        level = max(watts - self.idle_w, _LEAST_RUNNING_W)
        if self.running_count > _TRUSTED_AFTER:
            level = min(max(level, self.running_w / _FAR), self.running_w * _FAR)
        self.running_w += gain * (level - self.running_w)
        if self.shared:
            self.running_w = min(max(self.running_w, self.prior_w / _SHARED_FAR), self.prior_w * _SHARED_FAR)
        self._set()

    def _set(self) -> None:
        if self.shared:
            first, last = _SHARED_ON_SHARE, _SHARED_OFF_SHARE
        elif self.running_count:
            first, last = _ON_SHARE, _OFF_SHARE
        else:
            first, last = _FIRST_SHARE, _FIRST_SHARE
        self.on_w = self.idle_w + first * self.running_w
        self.off_w = self.idle_w + last * self.running_w

    def _look(self, watts: float) -> None:
        """Until a run has been seen: count the samples, and now and then look for two levels among them."""
        index = int(_PER_OCTAVE * math.log2(max(watts, 0.0) + 1.0))
        self.bins[index if index < _BINS else _BINS - 1] += 1
        self.since_look += 1
        if self.since_look >= _LOOK_EVERY:
            self.since_look = 0
            self._split()

    def _split(self) -> None:
        """Otsu's two classes on the log scale (IEEE Trans. SMC 9(1), 1979); taken where they lie well apart."""
        total = sum(self.bins)
        weighted = sum(index * count for index, count in enumerate(self.bins))
        below, moment, best, parts = 0, 0, 0.0, (0.0, 0.0)
        for index, count in enumerate(self.bins):
            below += count
            moment += index * count
            above = total - below
            if below < _LEAST_SIDE or above < _LEAST_SIDE:
                continue
            low, high = moment / below, (weighted - moment) / above
            between = below * above * (high - low) ** 2
            if between > best:
                best, parts = between, (low, high)
        low_w, high_w = (2.0 ** (part / _PER_OCTAVE) for part in parts)
        if parts[1] - parts[0] >= _LEAST_OCTAVES * _PER_OCTAVE and high_w >= _LEAST_RUNNING_W:
            self.idle_w, self.running_w = low_w - 1.0, high_w
            self.running_count = 1
