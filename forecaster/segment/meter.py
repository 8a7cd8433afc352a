"""Energy at the pump's plug since the beginning: the counter where there is one, the integrated power between its
readings, and the time of which nothing is known.
"""

from __future__ import annotations

import msgspec

_ENOUGH_WH = 20.0
_FORGET_WH = 500.0
_DISAGREEMENT_GAIN = 0.05
_SCALE_LOW, _SCALE_HIGH = 0.3, 3.0


class Meter(msgspec.Struct):
    """Cumulative energy [Wh] and blind time [ms].

    anchor_wh, anchor_blind_ms — settled
    fresh_wh, fresh_blind_ms — since the last reading of the counter, not settled yet where a counter is heard
    counter_wh, told_wh — energy by the counter and by the other sources over the same spans [Wh]
    disagreement : float — 0..1, how far the others are from the counter between its steps: high where sampling
        catches runs by chance
    scale : float — counter over the others: mends a wrong running power or power factor when the counter is gone
    """

    anchor_wh: float = 0.0
    fresh_wh: float = 0.0
    anchor_blind_ms: int = 0
    fresh_blind_ms: int = 0
    counter_wh: float = 0.0
    told_wh: float = 0.0
    since_tick_wh: float = 0.0
    since_tick_blind: bool = True
    scale: float = 1.0
    ticks: int = 0
    disagreement: float = 0.0

    @property
    def total_wh(self) -> float:
        """Energy since the beginning, as far as it is known [Wh]."""
        return self.anchor_wh + self.fresh_wh

    @property
    def blind_ms(self) -> int:
        """Time since the beginning of which nothing is known [ms]."""
        return self.anchor_blind_ms + self.fresh_blind_ms

    def add(self, energy_wh: float, blind_ms: int) -> None:
        """Take energy and blind time from a power, a current or a yes/no source."""
        self.since_tick_wh += energy_wh
        self.fresh_wh += energy_wh * self.scale
        if blind_ms:
            self.fresh_blind_ms += blind_ms
            self.since_tick_blind = True

    def mend(self, energy_wh: float) -> None:
        """Correct earlier energy by a better estimate."""
        self.fresh_wh += energy_wh * self.scale

    def count(self, interval_ms: int, used_wh: float | None, resolution_wh: float | None, *, covered: bool) -> None:
        """Take a reading of the counter, and the interval since the last one.

        used_wh : float | None — None: the counter does not tell, so the energy of the other sources stays
        covered : bool — whether another source covers the interval

        resolution_wh : float | None — the counter's step; None: not known yet

        While the counter does not change, at most one step of it can have been used.
        """
        if used_wh is None:
            self.anchor_wh += self.fresh_wh
            self.anchor_blind_ms += self.fresh_blind_ms if covered else interval_ms
            self.fresh_wh, self.fresh_blind_ms, self.since_tick_blind = 0.0, 0, True
            return
        self.fresh_blind_ms = 0
        if used_wh <= 0.0:
            if resolution_wh is not None:
                self.fresh_wh = min(self.fresh_wh, resolution_wh)
            return
        if covered and not self.since_tick_blind:
            self._compare(used_wh)
        self.anchor_wh += used_wh
        self.fresh_wh = self.since_tick_wh = 0.0
        self.since_tick_blind = False
        self.ticks += 1

    def _compare(self, used_wh: float) -> None:
        told = self.since_tick_wh * min(max(self.scale, 0.5), 2.0)
        self.disagreement += _DISAGREEMENT_GAIN * (abs(used_wh - told) / max(used_wh, told) - self.disagreement)
        self.counter_wh += used_wh
        self.told_wh += self.since_tick_wh
        if self.told_wh >= _ENOUGH_WH:
            self.scale = min(max(self.counter_wh / self.told_wh, _SCALE_LOW), _SCALE_HIGH)
        if self.told_wh >= _FORGET_WH:
            self.counter_wh /= 2.0
            self.told_wh /= 2.0
