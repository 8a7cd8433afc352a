"""Powers beside the pump's: other loads, the pack's input. Each is integrated without gaps, and averaged."""

from __future__ import annotations

import math
from collections.abc import Mapping

import msgspec

from forecaster.domain.times import HOUR_MS

_FADE_MS = 6.0 * HOUR_MS
_RECENT_MS = 1_800_000.0
_SETTLES_MS = 60_000
"""A device that averages goes on telling of a source that has gone for about this long (common practice, no source)."""


class Stream(msgspec.Struct):
    """One power, taken to be constant from reading to reading.

    total_wh : float — energy since the beginning, gaps filled at the mean [Wh]
    mean_w : float | None — mean power, with weights that fade over six hours of readings [W]
    recent_w : float | None — mean over about the last half hour [W]
    from_ms : int — what was read before then is not counted [UTC milliseconds]
    """

    last_ms: int | None = None
    last_w: float = 0.0
    gap_ms: int = 0
    total_wh: float = 0.0
    mean_w: float | None = None
    recent_w: float | None = None
    told_ms: float = 0.0
    from_ms: int = 0

    def feed(self, at_ms: int, watts: float, gap_ms: int) -> None:
        """Take a reading newer than the last. An interval longer than gap_ms [ms] is a gap."""
        last, held = self.last_ms, self.last_w
        self.last_ms, self.last_w, self.gap_ms = at_ms, watts, gap_ms
        if last is None or last < self.from_ms:
            return
        interval = at_ms - last
        if interval > gap_ms:
            self.total_wh += (self.mean_w or 0.0) * interval / HOUR_MS
            return
        self.total_wh += held * interval / HOUR_MS
        if self.mean_w is None or self.recent_w is None:
            self.mean_w = self.recent_w = held
            self.told_ms = interval
            return
        told = self.told_ms + interval
        self.told_ms = told = told if told < _FADE_MS else _FADE_MS
        self.mean_w += interval / told * (held - self.mean_w)
        self.recent_w += -math.expm1(-interval / _RECENT_MS) * (held - self.recent_w)

    def total_at(self, at_ms: int) -> float:
        """Energy up to a time after the newest reading [Wh]."""
        if self.last_ms is None or self.last_ms < self.from_ms or at_ms <= self.last_ms:
            return self.total_wh
        ahead = at_ms - self.last_ms
        held = self.last_w if ahead <= self.gap_ms else (self.mean_w or 0.0)
        return self.total_wh + held * ahead / HOUR_MS

    def cut(self, at_ms: int) -> None:
        """The power came from what has gone, as the mains: what was read of it says nothing of what comes after."""
        self.total_wh = self.total_at(at_ms)
        self.from_ms, self.mean_w, self.recent_w = at_ms + _SETTLES_MS, None, None


def total_wh(measured: Mapping[str, Stream], listed_w: Mapping[str, float], other: Stream, at_ms: int) -> float | None:
    """Energy of other loads since the beginning where any is measured [Wh]; listed ones that are not count as listed.

    other : Stream — what the pack gives beside the pump, where no load is measured by itself
    """
    if measured:
        rest_wh = _rest_w(measured, listed_w) * at_ms / HOUR_MS
        return rest_wh + sum(stream.total_at(at_ms) for stream in measured.values())
    return None if other.mean_w is None else other.total_at(at_ms)


def mean_w(measured: Mapping[str, Stream], listed_w: Mapping[str, float], other: Stream) -> float | None:
    """Mean power of other loads where any is measured [W]."""
    if measured:
        return _rest_w(measured, listed_w) + sum(stream.mean_w or 0.0 for stream in measured.values())
    return other.mean_w


def _rest_w(measured: Mapping[str, Stream], listed_w: Mapping[str, float]) -> float:
    return sum(watts for name, watts in listed_w.items() if name not in measured)
