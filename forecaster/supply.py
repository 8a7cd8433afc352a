"""Who carries the pump: told by mains_present, or inferred from the pack where that is not measured or fell silent.

A sensor on the mains may die with the mains, so its silence lets the pack speak. Once a sensor said that the mains is
gone, only that sensor brings it back: sun on the pack looks like charging from the mains.
"""

from __future__ import annotations

import msgspec

from forecaster.domain.runs import Supply
from forecaster.segment.rhythm import Rhythm

_FALL_PERCENT = 2.0
_FALL_WITHOUT_INPUT_PERCENT = 1.0
_RISE_PERCENT = 2.0
_NO_INPUT_W = 3.0
_FULL_PERCENT = 99.0
_SETTLE_MS = 120_000


class Change(msgspec.Struct, frozen=True, array_like=True):
    """A change of supply: when it happened, which may be before it was noticed, and to what."""

    at_ms: int
    to: Supply
    inferred: bool


class SupplyTracker(msgspec.Struct):
    """The supply as far as it is known.

    since_ms : int | None — when it changed to what it is; None: it never changed while watched
    inferred : bool — not told by a sensor
    high_percent, low_percent — charge that the present fall or rise started from
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

    @classmethod
    def of(cls, stated_ms: int | None) -> SupplyTracker:
        """A new tracker; stated_ms is the owner's limit for silence of mains_present [ms]."""
        return cls(mains=Rhythm(stated_ms=stated_ms))

    def on_mains(self, at_ms: int, value: float) -> Change | None:
        """Take a reading of mains_present."""
        self.mains.heard(at_ms, value)
        to = Supply.MAINS if value >= 0.5 else Supply.PACK
        if to is self.supply:
            self.inferred = False
            return None
        return self._change(at_ms, to, inferred=False)

    def on_input(self, at_ms: int, watts: float) -> Change | None:
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

    def on_charge(self, at_ms: int, percent: float) -> Change | None:
        """Take a reading of the charge."""
        self.charge_percent = percent
        if self.high_percent is None or percent >= self.high_percent:
            self.high_percent, self.high_ms = percent, at_ms
        if self.low_percent is None or percent <= self.low_percent:
            self.low_percent, self.low_ms = percent, at_ms
        if self.supply is Supply.MAINS:
            need = _FALL_PERCENT if self.no_input_since_ms is None else _FALL_WITHOUT_INPUT_PERCENT
            if self.high_percent - percent >= need and not self._charging() and self._may_infer(at_ms):
                return self._change(self.high_ms, Supply.PACK, inferred=True)
            if percent - self.low_percent >= _RISE_PERCENT:
                self.high_percent, self.high_ms = percent, at_ms
                self.low_percent, self.low_ms = percent, at_ms
        elif percent - self.low_percent >= _RISE_PERCENT and not self._said_pack() and self._may_infer(at_ms):
            return self._change(self.low_ms, Supply.MAINS, inferred=True)
        return None

    def _charging(self) -> bool:
        return self.input_w is not None and self.input_w > _NO_INPUT_W

    def _may_infer(self, at_ms: int) -> bool:
        return self.mains.silent(at_ms)

    def _said_pack(self) -> bool:
        return self.mains.last_value is not None and self.mains.last_value < 0.5

    def _change(self, at_ms: int, to: Supply, *, inferred: bool) -> Change:
        moment = at_ms if self.since_ms is None else max(at_ms, self.since_ms)
        self.supply, self.inferred, self.since_ms = to, inferred, moment
        self.high_percent = self.low_percent = self.charge_percent
        self.high_ms = self.low_ms = moment
        return Change(moment, to, inferred)
