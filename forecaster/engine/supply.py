"""Who carries the pump: told by mains_present, or inferred from the pack where that is not measured or fell silent.

A sensor on the mains may die with the mains, so its silence lets the pack speak. Once a sensor said that the mains is
gone, only that sensor brings it back: sun on the pack looks like charging from the mains.

How far the charge must fall before the mains is taken for lost is learnt: a pack that stood still on mains for a day
has told by its first step down, one that sags and is topped up has not until it falls further than it ever did.
"""

from __future__ import annotations

import msgspec

from forecaster.domain.runs import Supply
from forecaster.segment.rhythm import Rhythm

_FALL_PERCENT = 2.0
_FALL_WITHOUT_INPUT_PERCENT = 1.0
_RISE_PERCENT = 2.0
_NO_INPUT_W = 3.0
_FALL_DESPITE_INPUT_PERCENT = 4.0
_LEAST_FALL_PERCENT = 0.5
_FULL_PERCENT = 99.0
_SETTLE_MS = 120_000
_WATCHED_MS = 24 * 3_600_000
_LONGEST_LOOK_MS = 1_200_000
_BRIEF_MS = 1_800_000
_ALMOST = 1e-6


class SupplyChange(msgspec.Struct, frozen=True, array_like=True):
    """A change of supply: when it happened, which may be before it was noticed, and to what."""

    at_ms: int
    to: Supply
    inferred: bool


class SupplyTracker(msgspec.Struct):
    """The supply as far as it is known.

    since_ms : int | None — when it changed to what it is; None: it never changed while watched
    inferred : bool — not told by a sensor
    high_percent, low_percent — charge that the present fall or rise started from
    fell_from_percent : float | None — the high before the fall that was taken for a loss of the mains
    sag_percent : float — the furthest that the charge fell on mains and came back
    watched_ms : int — time on mains for which the charge was watched
    """

    mains: Rhythm
    supply: Supply = Supply.MAINS
    inferred: bool = True
    since_ms: int | None = None
    charge_percent: float | None = None
    high_percent: float | None = None
    high_ms: int = 0
    low_percent: float | None = None
    low_ms: int = 0
    input_w: float | None = None
    no_input_since_ms: int | None = None
    charge_ms: int | None = None
    fell_from_percent: float | None = None
    sag_percent: float = 0.0
    watched_ms: int = 0

    @classmethod
    def of(cls, stated_ms: int | None) -> SupplyTracker:
        """A new tracker; stated_ms is the owner's limit for silence of mains_present [ms]."""
        return cls(mains=Rhythm(stated_ms=stated_ms))

    def on_mains(self, at_ms: int, value: float) -> SupplyChange | None:
        """Take a reading of mains_present."""
        self.mains.heard(at_ms, value)
        to = Supply.MAINS if value >= 0.5 else Supply.PACK
        if to is self.supply:
            self.inferred = False
            return None
        return self._change(at_ms, to, inferred=False)

    def on_input(self, at_ms: int, watts: float) -> SupplyChange | None:
        """Take a reading of the pack's input power."""
        self.input_w = watts
        if watts > _NO_INPUT_W:
            self.no_input_since_ms = None
        elif self.no_input_since_ms is None:
            self.no_input_since_ms = at_ms
        elif (
            self.supply is Supply.MAINS
            and at_ms - self.no_input_since_ms >= _SETTLE_MS
            and self.charge_percent is not None
            and self.charge_percent < _FULL_PERCENT
            and self.high_percent is not None
            and self.charge_percent < self.high_percent
            and self._may_infer(at_ms)
        ):
            return self._change(max(self.no_input_since_ms, self.high_ms), Supply.PACK, inferred=True)
        return None

    def on_charge(self, at_ms: int, percent: float) -> SupplyChange | None:
        """Take a reading of the charge."""
        self._watch(at_ms, percent)
        if self.high_percent is None or percent >= self.high_percent:
            self._top(percent)
            self.high_percent, self.high_ms = percent, at_ms
        if self.low_percent is None or percent <= self.low_percent:
            self.low_percent, self.low_ms = percent, at_ms
        if self.supply is Supply.MAINS:
            if self.high_percent - percent >= self._need_percent() - _ALMOST and self._may_infer(at_ms):
                self.fell_from_percent = self.high_percent
                return self._change(self.high_ms, Supply.PACK, inferred=True)
            if percent - self.low_percent >= _RISE_PERCENT:
                self._top(percent)
                self.high_percent, self.high_ms = percent, at_ms
                self.low_percent, self.low_ms = percent, at_ms
        elif self._rose(percent) and not self._said_pack() and self._may_infer(at_ms):
            self._doubt(at_ms)
            return self._change(self.low_ms, Supply.MAINS, inferred=True)
        return None

    def _watch(self, at_ms: int, percent: float) -> None:
        """Count the time for which the charge was watched on mains."""
        last_ms = self.charge_ms
        self.charge_ms, self.charge_percent = at_ms, percent
        if last_ms is not None and self.supply is Supply.MAINS:
            self.watched_ms += min(at_ms - last_ms, _LONGEST_LOOK_MS)

    def _top(self, percent: float) -> None:
        """The charge is back at its height, or rises clearly: a fall that went before was a sag."""
        if self.supply is Supply.MAINS and self.high_percent is not None and self.low_percent is not None:
            self.sag_percent = max(self.sag_percent, min(self.high_percent, percent) - self.low_percent)
            self.low_percent = percent

    def _need_percent(self) -> float:
        """How far the charge must have fallen for the mains to be lost [%]."""
        if self._charging():
            return _FALL_DESPITE_INPUT_PERCENT
        need = _FALL_PERCENT if self.no_input_since_ms is None else _FALL_WITHOUT_INPUT_PERCENT
        if self.watched_ms < _WATCHED_MS:
            return need
        return min(self.sag_percent, _FALL_PERCENT) + _LEAST_FALL_PERCENT

    def _rose(self, percent: float) -> bool:
        """Whether the charge rises as it does on mains only: clearly, or back to where it fell from."""
        if self.low_percent is None:
            return False
        back = self.fell_from_percent is not None and percent >= self.fell_from_percent and percent > self.low_percent
        return back or percent - self.low_percent >= _RISE_PERCENT

    def _doubt(self, at_ms: int) -> None:
        """A small fall that was soon made good may have been no loss of the mains: next time it takes more."""
        fell = (self.fell_from_percent or 0.0) - (self.low_percent or 0.0)
        if self.inferred and self.since_ms is not None and at_ms - self.since_ms < _BRIEF_MS and fell < _FALL_PERCENT:
            self.sag_percent = max(self.sag_percent, fell)

    def _charging(self) -> bool:
        return self.input_w is not None and self.input_w > _NO_INPUT_W

    def _may_infer(self, at_ms: int) -> bool:
        return self.mains.silent(at_ms)

    def _said_pack(self) -> bool:
        return self.mains.last_value is not None and self.mains.last_value < 0.5

    def _change(self, at_ms: int, to: Supply, *, inferred: bool) -> SupplyChange:
        moment = at_ms if self.since_ms is None else max(at_ms, self.since_ms)
        self.supply, self.inferred, self.since_ms = to, inferred, moment
        self.high_percent = self.low_percent = self.charge_percent
        self.high_ms = self.low_ms = moment
        return SupplyChange(moment, to, inferred)
