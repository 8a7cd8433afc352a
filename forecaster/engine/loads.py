"""Power streams beside the pump: other loads, the pack's input. Each is integrated, gaps left out, and averaged."""

from __future__ import annotations

import math

import msgspec

from forecaster.segment.rhythm import Rhythm

_MS_PER_HOUR = 3_600_000.0
_FADE_MS = 6.0 * _MS_PER_HOUR


class Stream(msgspec.Struct):
    """One power that holds from reading to reading.

    total_wh : float — energy since the beginning, gaps filled at the mean [Wh]
    mean_w : float | None — mean power, fading over six hours of telling [W]
    recent_w : float | None — mean over about the last half hour [W]
    """

    rhythm: Rhythm
    total_wh: float = 0.0
    mean_w: float | None = None
    recent_w: float | None = None
    told_ms: float = 0.0

    def feed(self, at_ms: int, watts: float) -> None:
        """Take a reading newer than the last."""
        held = self.rhythm.last_value
        interval = self.rhythm.heard(at_ms, watts)
        if interval is None or held is None:
            return
        self.rhythm.steady(interval)
        if interval > self.rhythm.gap_ms:
            self.total_wh += (self.mean_w or 0.0) * interval / _MS_PER_HOUR
            return
        self.total_wh += held * interval / _MS_PER_HOUR
        self.told_ms = min(self.told_ms + interval, _FADE_MS)
        if self.mean_w is None or self.recent_w is None:
            self.mean_w = self.recent_w = held
            return
        self.mean_w += min(1.0, interval / self.told_ms) * (held - self.mean_w)
        self.recent_w += -math.expm1(-interval / 1_800_000.0) * (held - self.recent_w)

    def total_at(self, at_ms: int) -> float:
        """Energy up to a time after the newest reading [Wh]."""
        if self.rhythm.last_ms is None or self.rhythm.last_value is None:
            return self.total_wh
        ahead = max(at_ms - self.rhythm.last_ms, 0)
        held = self.rhythm.last_value if ahead <= self.rhythm.gap_ms else (self.mean_w or 0.0)
        return self.total_wh + held * ahead / _MS_PER_HOUR
