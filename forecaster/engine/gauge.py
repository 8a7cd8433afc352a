"""Filters the charge as the gauge shows it: nonsense for a minute, and dips under the pump's load."""

from __future__ import annotations

import msgspec

_LEAP_PERCENT = 12.0
_FALL_PERCENT_PER_H, _RISE_PERCENT_PER_H = 300.0, 200.0
_LEAP_STEPS = 1.5
_AGREE_PERCENT = 3.0
_LEAP_MS, _LEAP_READINGS = 300_000, 3
"""A greater change than this, or than these rates allow in the time, is a jump. One that lasts so long, over so many
readings, is believed (common practice, no source: restarting gauges show zero or full for a minute)."""

_DIP_PERCENT, _DIP_MS, _MADE_GOOD = 1.0, 300_000, 0.65
_HOLD_LEAST_MS, _HOLD_MOST_MS, _HOLD_OF_DIP = 30_000, 600_000, 1.5
"""A fall that is mostly recovered within five minutes is a dip: the gauge sags under load. From the first dip on, the
level is the highest within a time 1.5 times as long as the dips last."""

_AT_LEVEL, _UPPER = 0.4, 0.75
"""Where fewer of the readings than this share stand within a dip of the highest, the gauge wanders both ways and the
highest is a chance, or it hardly comes back between runs: their upper quartile is the level."""


class GaugeFilter(msgspec.Struct):
    """The filter of one gauge: `take` its readings, and believe what it returns.

    level : float | None — the charge last believed [%]
    odd, odd_ms, odd_count — a jump that is not believed yet: to where [%], since when, in how many readings
    last, last_ms — the newest reading that was not ignored [%], [ms]
    top, top_ms, bottom — the present dip: from where [%], when the charge was last there, the lowest since [%]
    hold_ms : int — how long a fall must last to be believed [ms]; 0: the gauge never dipped
    lately — the readings within that time: [ms], [%]
    """

    level: float | None = None
    level_ms: int = 0
    odd: float | None = None
    odd_ms: int = 0
    odd_count: int = 0
    last: float | None = None
    last_ms: int = 0
    top: float | None = None
    top_ms: int = 0
    bottom: float = 0.0
    hold_ms: int = 0
    lately: list[tuple[int, float]] = msgspec.field(default_factory=list)

    def take(self, at_ms: int, percent: float, step: float | None) -> float | None:
        """Take a reading newer than the last. Returns the charge to believe [%]; None where this reading is ignored.

        step : float | None — the smallest step that the gauge ever made [%]
        """
        if self._leaps(at_ms, percent, step):
            return None
        self._watch_dips(at_ms, percent, step)
        if not self.hold_ms:
            self.level, self.level_ms = percent, at_ms
            return percent
        self.lately = [*((then, one) for then, one in self.lately if at_ms - then <= self.hold_ms), (at_ms, percent)]
        self.level, self.level_ms = _level([one for _, one in self.lately], step), at_ms
        return self.level

    def _leaps(self, at_ms: int, percent: float, step: float | None) -> bool:
        """Whether a reading jumps further than any pack can in the time, and has not stayed there long enough."""
        if self.level is None:
            return False
        change, hours = percent - self.level, (at_ms - self.level_ms) / 3_600_000.0
        rate = _RISE_PERCENT_PER_H if change > 0.0 else _FALL_PERCENT_PER_H
        if abs(change) <= max(_LEAP_PERCENT, _LEAP_STEPS * (step or 0.0)) + rate * hours:
            self.odd = None
            return False
        if self.odd is None or abs(percent - self.odd) > _AGREE_PERCENT:
            self.odd, self.odd_ms, self.odd_count = percent, at_ms, 0
        self.odd_count += 1
        if at_ms - self.odd_ms < _LEAP_MS or self.odd_count < _LEAP_READINGS:
            return True
        self.odd, self.top, self.lately = None, None, []
        return False

    def _watch_dips(self, at_ms: int, percent: float, step: float | None) -> None:
        """Learn how long the dips of the gauge last: each begins with a fall between two readings."""
        if self.top is None:
            if self.last is not None and self.last - percent >= max(_DIP_PERCENT, _LEAP_STEPS * (step or 0.0)):
                self.top, self.top_ms, self.bottom = self.last, self.last_ms, percent
        elif at_ms - self.top_ms > _DIP_MS:
            self.top = None
        else:
            self.bottom = min(self.bottom, percent)
            if percent - self.bottom >= _MADE_GOOD * (self.top - self.bottom):
                self._dipped(at_ms)
                self.top = None
        self.last, self.last_ms = percent, at_ms

    def _dipped(self, at_ms: int) -> None:
        lasts_ms = int(_HOLD_OF_DIP * (at_ms - self.top_ms))
        self.hold_ms = min(max(self.hold_ms, lasts_ms, _HOLD_LEAST_MS), _HOLD_MOST_MS)


def _level(shown: list[float], step: float | None) -> float:
    """The level of a gauge that dips, from its readings within the hold, oldest first, at least one [%]."""
    top = max(shown)
    near = sum(one >= top - max(_DIP_PERCENT, step or 0.0) for one in shown)
    return top if near >= _AT_LEVEL * len(shown) else sorted(shown)[round(_UPPER * (len(shown) - 1))]
