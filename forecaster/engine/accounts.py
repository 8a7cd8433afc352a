"""Counts what was drawn since the transfer (energy, time, charge), and follows the charge on mains and on the pack."""

from __future__ import annotations

import msgspec

_KEPT_MARKS = 48
_QUIET_MS = 300_000
_FINE_PERCENT = 0.2
_FINE_MS = 60_000


class Mark(msgspec.Struct, frozen=True, array_like=True):
    """A change of the reported charge, and the values of the meters at that time.

    plug_wh, blind_ms, loads_wh, input_wh — meters since the beginning
    """

    at_ms: int
    percent: float
    plug_wh: float
    blind_ms: int
    loads_wh: float
    input_wh: float


class Accounts(msgspec.Struct):
    """The present or last discharge, counted from the mark at its transfer to the pack.

    marks — readings at which the charge changed
    peak : Mark | None — newest reading before the charge began to fall as it does now
    """

    reserve_percent: float
    opened: Mark | None = None
    since_ms: int = 0
    on_pack: bool = False
    has_charge: bool = False
    start_percent: float | None = None
    lowest_percent: float | None = None
    reached_ms: int | None = None
    percent: float | None = None
    percent_ms: int | None = None
    told_percent: float | None = None
    told_ms: int = 0
    marks: list[Mark] = msgspec.field(default_factory=list)
    peak: Mark | None = None

    def open(self, mark: Mark, percent: float | None, since_ms: int) -> None:
        """The pack took over at since_ms: count from now, or, if that is in the past, from the last mark before it."""
        kept = self.marks if self.peak is None else [*self.marks, self.peak]
        earlier = [one for one in kept if one.at_ms <= since_ms]
        if since_ms < (self.percent_ms or 0) and earlier:
            mark = max(earlier, key=lambda one: one.at_ms)
        self.opened, self.on_pack, self.since_ms = mark, True, since_ms
        self.has_charge = percent is not None
        self.start_percent = self.lowest_percent = percent
        self.told_percent, self.told_ms = percent, mark.at_ms
        self.reached_ms = None

    def began_late(self, at_ms: int, total_wh: float) -> None:
        """Correct the meter at the transfer by a late reading of the pump."""
        if self.opened is not None and at_ms <= self.opened.at_ms:
            self.opened = msgspec.structs.replace(self.opened, plug_wh=total_wh)

    def close(self) -> None:
        """End the discharge: the mains is back."""
        self.on_pack = False

    def charge(self, mark: Mark) -> bool:
        """Take a reading of the charge with the meters at its time. Returns whether the models should be told of it."""
        changed = self.percent != mark.percent
        self.percent, self.percent_ms = mark.percent, mark.at_ms
        if changed or not self.marks:
            self.marks.append(mark)
            del self.marks[:-_KEPT_MARKS]
        if not self.on_pack:
            return False
        if self.lowest_percent is None or mark.percent < self.lowest_percent:
            self.lowest_percent = mark.percent
        if self.reached_ms is None and mark.percent <= self.reserve_percent:
            self.reached_ms = mark.at_ms
        return self._worth_telling(mark)

    def charge_at(self, at_ms: int) -> float | None:
        """The charge last reported at or before a time [%]; None where none is known."""
        for mark in reversed(self.marks):
            if mark.at_ms <= at_ms:
                return mark.percent
        return self.percent

    def _worth_telling(self, mark: Mark) -> bool:
        since = mark.at_ms - self.told_ms
        if self.told_percent is None:
            worth = True
        elif mark.percent == self.told_percent:
            worth = since >= _QUIET_MS
        else:
            worth = abs(mark.percent - self.told_percent) >= _FINE_PERCENT or since >= _FINE_MS
        if worth:
            self.told_percent, self.told_ms = mark.percent, mark.at_ms
        return worth

    def rate_percent_per_h(self, now_ms: int) -> float | None:
        """Slope of the charge over the last half hour or so [%/h]; None where it was not seen to move.

        It is measured from change to change, so that it does not jump with each step; a charge that has been constant
        for longer than its last change took is moving more slowly than that change.
        """
        recent = [mark for mark in self.marks if now_ms - mark.at_ms <= 2_700_000]
        if len(recent) < 2 and len(self.marks) >= 2:
            recent = self.marks[-2:]
        if len(recent) < 2 or self.percent_ms is None:
            return None
        first, last = recent[0], recent[-1]
        span_ms = last.at_ms - first.at_ms
        if span_ms <= 0:
            return None
        rate = (last.percent - first.percent) / span_ms * 3_600_000.0
        stood_ms = max(self.percent_ms - last.at_ms, 1)
        step = abs(last.percent - recent[-2].percent)
        most = step / stood_ms * 3_600_000.0
        return max(-most, min(rate, most))
