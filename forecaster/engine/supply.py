"""Who carries the pump: reported by mains_present, or inferred from the pack where that is not measured or is silent.

A sensor on the mains may fail with the mains, so when it is silent the pack is used. Once a sensor has reported that
the mains is gone, only that sensor can bring it back, because sun on the pack looks like charging from the mains. A
loss is believed at once, a return only when it lasts, and longer for a sensor that chatters. A sensor that the charge
contradicts is suspect: it is overruled, and not believed again until it has agreed for a day.

How far the charge must fall for the mains to be taken for lost is learnt: for a pack that was constant on mains for a
day, the first step down is enough; one that sags and is topped up must fall further than it ever did.
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
_BRIEF_MS = 2_700_000
_ALMOST = 1e-6
_RETURN_MS, _CHATTER_RETURN_MS, _CHATTER_LOSS_MS = 120_000, 600_000, 60_000
_CHATTER_MS, _CHATTERS, _STEADY_MS = 1_800_000, 3, 600_000
_SUSPECT_FALL_PERCENT, _SUSPECT_SAG_PERCENT, _SUSPECT_STAND_MS = 2.0, 1.0, 4 * 3_600_000
_SUSPECT_FALL_MS = 300_000
_TRUST_MS = 24 * 3_600_000
_LASTS_MS = 600_000
_STEPS_BACK = 1.2


class SupplyChange(msgspec.Struct, frozen=True, array_like=True):
    """A change of supply: when it happened, which may be before it was noticed, and to what."""

    at_ms: int
    to: Supply
    inferred: bool


class SupplyTracker(msgspec.Struct):
    """The supply as far as it is known.

    since_ms : int | None — when it changed to what it is; None: it never changed while watched
    inferred : bool — not reported by a sensor
    high_percent, low_percent — charge from which the present fall or rise started [%]
    fell_from_percent : float | None — the high before the fall that was taken for a loss of the mains
    sag_percent : float — the furthest that the charge fell on mains and came back
    watched_ms : int — time on mains for which the charge was watched
    flag, flag_ms, flips_ms — the sensor's value, since when, and the times of its recent changes
    agreed : bool — whether the sensor has ever reported that the mains is there
    suspect_ms : int | None — since when a sensor that was contradicted has agreed again; None: it is believed
    changed_ms, step_percent — when the charge last changed, and the smallest step it changed by
    lately — readings of the charge of the last minutes: [ms], [%]
    base_percent, base_ms — lowest level of the charge on the pack, dips of minutes left out, and when that was
    above_ms : int | None — since when the charge has stood clearly above that level
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
    flag: Supply | None = None
    flag_ms: int = 0
    flips_ms: list[int] = msgspec.field(default_factory=list)
    agreed: bool = False
    suspect_ms: int | None = None
    changed_ms: int = 0
    step_percent: float | None = None
    lately: list[tuple[int, float]] = msgspec.field(default_factory=list)
    base_percent: float | None = None
    base_ms: int = 0
    above_ms: int | None = None

    @classmethod
    def of(cls, stated_ms: int | None) -> SupplyTracker:
        """A new tracker; stated_ms is the owner's limit for silence of mains_present [ms]."""
        return cls(mains=Rhythm(stated_ms=stated_ms))

    def returning(self, at_ms: int) -> bool:
        """Whether the sensor says that the mains is back, and is not believed yet. The last word of one that has
        fallen silent, as one that hangs on the mains does, is no news of a return.
        """
        says = self.flag is Supply.MAINS and self.suspect_ms is None and not self.mains.silent(at_ms)
        return self.supply is Supply.PACK and says

    def on_mains(self, at_ms: int, value: float) -> SupplyChange | None:
        """Take a reading of mains_present."""
        again = self.flag is not None and self.mains.silent(at_ms)
        self.mains.heard(at_ms, value)
        flag = Supply.MAINS if value >= 0.5 else Supply.PACK
        if again:
            self.flag_ms = at_ms  # what was said before a silence counts for nothing now
        if flag is not self.flag:
            if self.flag is not None:
                self.flips_ms = [*(one for one in self.flips_ms if at_ms - one < _CHATTER_MS), at_ms]
            self.flag, self.flag_ms = flag, at_ms
        self.agreed = self.agreed or flag is Supply.MAINS
        return self.pass_time(at_ms)

    def overdue(self, at_ms: int) -> bool:
        """Whether the sensor has by now contradicted the present supply for long enough."""
        if self.suspect_ms is not None or self.flag in (None, self.supply) or self.mains.silent(at_ms):
            return False
        return at_ms - self.flag_ms >= self._dwell_ms()

    def taken_up(self) -> None:
        """Add what earlier releases did not keep: the sensor's last value."""
        if self.flag is None and self.mains.last_value is not None and self.mains.last_ms is not None:
            self.flag = Supply.MAINS if self.mains.last_value >= 0.5 else Supply.PACK
            self.flag_ms, self.agreed = self.mains.last_ms, True

    def pass_time(self, at_ms: int) -> SupplyChange | None:
        """Apply the sensor's last value once it has stood for long enough."""
        if self.suspect_ms is not None:
            self._forgive(at_ms)
            return None
        if self.flag is self.supply and not self.mains.silent(at_ms):
            self.inferred = False
        if self.flag is None or not self.overdue(at_ms):
            return None
        return self._change(self.flag_ms, self.flag, inferred=False)

    def _dwell_ms(self) -> int:
        """How long the sensor's value must have stood to be believed [ms]."""
        lately = [one for one in self.flips_ms if self.flag_ms - one < _CHATTER_MS]
        if self.flag is Supply.MAINS:
            return _CHATTER_RETURN_MS if len(lately) >= _CHATTERS else _RETURN_MS
        shortly = [one for one in lately if 0 < self.flag_ms - one < _STEADY_MS]
        return _CHATTER_LOSS_MS if shortly else 0

    def _forgive(self, at_ms: int) -> None:
        """Believe a suspect sensor again after it has agreed with the charge for a day."""
        if self.flag is not self.supply or self.suspect_ms is None:
            self.suspect_ms = at_ms
        elif at_ms - self.suspect_ms >= _TRUST_MS:
            self.suspect_ms = None

    def _contradicted(self, at_ms: int, percent: float) -> SupplyChange | None:
        """Overrule a sensor that says mains while the charge falls as on the pack only, or that has said pack since it
        was first heard while the charge stands for hours.
        """
        if self.suspect_ms is not None or self.flag is None or self.mains.silent(at_ms) or self.high_percent is None:
            return None
        need = max(_SUSPECT_FALL_PERCENT, self.sag_percent + _SUSPECT_SAG_PERCENT)
        if self.flag is Supply.MAINS and self.supply is Supply.MAINS:
            lasts = at_ms - self.high_ms >= _SUSPECT_FALL_MS
            if self.high_percent - percent < need - _ALMOST or not lasts or self._charging():
                return None
            self.suspect_ms, self.fell_from_percent = at_ms, self.high_percent
            return self._change(self.high_ms, Supply.PACK, inferred=True)
        if self.flag is Supply.PACK and self.supply is Supply.PACK and not self.agreed:
            stood_ms = at_ms - max(self.changed_ms, self.flag_ms)
            if stood_ms >= _SUSPECT_STAND_MS:
                self.suspect_ms = at_ms
                return self._change(at_ms, Supply.MAINS, inferred=True)
        return None

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
        told = self.pass_time(at_ms) or self._contradicted(at_ms, percent)
        if told is not None:
            return told
        if self.supply is Supply.MAINS:
            if self.high_percent - percent >= self._need_percent() - _ALMOST and self._may_infer(at_ms):
                self.fell_from_percent = self.high_percent
                return self._change(self.high_ms, Supply.PACK, inferred=True)
            if percent - self.low_percent >= _RISE_PERCENT:
                self._top(percent)
                self.high_percent, self.high_ms = percent, at_ms
                self.low_percent, self.low_ms = percent, at_ms
        elif self._rose(at_ms, percent) and not self._said_pack() and self._may_infer(at_ms):
            self._doubt(at_ms)
            return self._change(self.base_ms, Supply.MAINS, inferred=True)
        return None

    def _watch(self, at_ms: int, percent: float) -> None:
        """Count the time for which the charge was watched on mains."""
        last_ms, last = self.charge_ms, self.charge_percent
        if last is not None and percent != last:
            self.changed_ms = at_ms
            step = abs(percent - last)
            self.step_percent = step if self.step_percent is None else min(step, self.step_percent)
        self.charge_ms, self.charge_percent = at_ms, percent
        if last_ms is not None and self.supply is Supply.MAINS:
            self.watched_ms += min(at_ms - last_ms, _LONGEST_LOOK_MS)

    def _top(self, percent: float) -> None:
        """The charge is back at its height, or clearly rises: an earlier fall was a sag."""
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

    def _rose(self, at_ms: int, percent: float) -> bool:
        """Whether the charge has stood for minutes where it comes on mains only: clearly above the lowest level it had
        on the pack, or where it fell from. A gauge that sags under the pump has its level between the runs.
        """
        self.lately = [*((then, one) for then, one in self.lately if at_ms - then <= _LASTS_MS), (at_ms, percent)]
        level = max(one for _, one in self.lately)
        if self.base_percent is None or level <= self.base_percent:
            self.base_percent, self.base_ms = level, at_ms
        need = max(_RISE_PERCENT, _STEPS_BACK * (self.step_percent or 0.0))
        back = self.fell_from_percent is not None and percent >= self.fell_from_percent > (self.low_percent or 0.0)
        if not back and percent - self.base_percent < need - _ALMOST:
            self.above_ms = None
            return False
        if self.above_ms is None:
            self.above_ms = at_ms
        return at_ms - self.above_ms >= _LASTS_MS

    def _doubt(self, at_ms: int) -> None:
        """A small fall that soon recovered may have been no loss of the mains: next time a greater fall is needed."""
        fell = (self.fell_from_percent or 0.0) - (self.low_percent or 0.0)
        if self.inferred and self.since_ms is not None and at_ms - self.since_ms < _BRIEF_MS and fell < _FALL_PERCENT:
            self.sag_percent = max(self.sag_percent, fell)

    def _charging(self) -> bool:
        return self.input_w is not None and self.input_w > _NO_INPUT_W

    def _may_infer(self, at_ms: int) -> bool:
        return self.mains.silent(at_ms) or self.suspect_ms is not None

    def _said_pack(self) -> bool:
        return self.suspect_ms is None and self.flag is Supply.PACK

    def _change(self, at_ms: int, to: Supply, *, inferred: bool) -> SupplyChange:
        moment = at_ms if self.since_ms is None else max(at_ms, self.since_ms)
        self.supply, self.inferred, self.since_ms = to, inferred, moment
        high = self.high_percent
        self.high_percent = self.low_percent = self.charge_percent
        self.high_ms = self.low_ms = moment
        self.base_percent, self.above_ms = None, None
        self.lately = [] if self.charge_ms is None or high is None else [(self.charge_ms, high)]
        return SupplyChange(moment, to, inferred)
