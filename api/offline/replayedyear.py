"""What the alarm rules would have done on a site's stored readings of the last year, with its limits and with others.

The readings are folded anew, in the order of their source times, by the engine and the alarm manager of the running
program. The time that it takes is bounded: where the whole year would take longer, it begins later, and says from when.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

from api.offline.previewing import STRIDE_MS, LimitsTrial
from forecaster.alarms import Outside
from forecaster.domain.alarms import STUDIED, Alarm, AlarmKind, AlarmTransition, TransitionKind
from forecaster.domain.discharge import DischargeTest
from forecaster.domain.errors import FitError
from forecaster.domain.ports import ReadingStore
from forecaster.domain.quantities import Quantity
from forecaster.domain.readings import Reading
from forecaster.domain.runs import Transfer
from forecaster.domain.site import AlarmLimits, Site
from forecaster.domain.times import DAY_MS, HOUR_MS, MINUTE_MS
from forecaster.engine.document import time_text

YEAR_MS = 365 * DAY_MS
WARM_UP_MS = 30 * DAY_MS
"""Readings before the year from which is learnt; alarms in them are not counted."""

PIECE_MS = 3 * HOUR_MS
"""Readings fetched at a time cover so much."""

CALM_MS = 5 * MINUTE_MS
"""On mains, with no alarm under way, the rules are looked at so often; else every minute, and at each transfer."""

AFTER_MS = 6 * HOUR_MS
"""So long after the newest reading the replay ends: silence has been told by then."""

BUDGET_S = 900.0
"""How long it may take [s]: twice what a house that reports every few seconds takes for its year."""

SAMPLE_S = 20.0
"""After so long it is reckoned whether the whole span is done within the budget [s]."""

OUTSIDE_KINDS = STUDIED | {
    AlarmKind.CLOCK_SUSPECT, AlarmKind.DELIVERY_FAILING, AlarmKind.CHANNEL_FAILING, AlarmKind.TEST_DUE,
}  # fmt: skip
"""Kinds that rest on more than readings, and are not tried."""

WATCHED_STATES = (Quantity.MAINS_PRESENT, Quantity.HIGH_WATER)


@dataclass(frozen=True, slots=True)
class Raised:
    """An alarm that a set of limits would have raised.

    cleared_ms : int | None — None: it stood at the end
    told : bool — whether a contact who takes every priority at every hour would have got a message
    """

    alarm: Alarm
    cleared_ms: int | None
    told: bool


@dataclass(slots=True)
class YearReplay:
    """One pass over the stored readings of the last year.

    limits : of the site, and the others that are tried
    tests : the site's discharge tests: what happens in one is no alarm
    budget_s : float — how long it may take [s]
    start_ms : int | None — from when it was replayed; None where nothing is stored
    counted_ms : int — alarms from here on count; readings : int
    end_ms : int — up to when it was replayed; whole : bool — whether that is all that was asked for
    clock : gives seconds for the budget
    """

    site: Site
    store: ReadingStore
    limits: Sequence[AlarmLimits]
    now_ms: int
    tests: Sequence[DischargeTest] = ()
    budget_s: float = BUDGET_S
    start_ms: int | None = None
    counted_ms: int = 0
    end_ms: int = 0
    whole: bool = True
    readings: int = 0
    said: list[list[AlarmTransition]] = field(default_factory=list)
    clock: Callable[[], float] = time.monotonic
    _last_ms: int = field(default=0, init=False)

    def run(self, progress: Callable[[int], None]) -> None:
        """Replay. progress : is told, once a day of the record, up to when it has come [UTC milliseconds]"""
        until_s = self.clock() + self.budget_s
        latest = self.store.latest(self.site.id)
        newest = [latest[key].time_ms for key in self._series()]
        first_ms = self._first_ms()
        if first_ms is None:
            return
        self._last_ms = min(self.now_ms, max(newest) + AFTER_MS)
        later_ms = self._pass(first_ms, until_s, progress, may_begin_later=True)
        if later_ms is not None:
            self._pass(later_ms, until_s, progress, may_begin_later=False)

    def _first_ms(self) -> int | None:
        """The first stored reading of the year and its warm-up; None where there is none."""
        at_ms = self.now_ms - YEAR_MS - WARM_UP_MS
        firsts = [
            points[0].time_ms
            for quantity, subject in self._series()
            if (points := self.store.series(self.site.id, quantity, at_ms, self.now_ms, 400, subject))
        ]
        return min(firsts, default=None)

    def _series(self) -> list[tuple[Quantity, str]]:
        """What is replayed: all but the rain that was expected, whose arrival is not kept."""
        return [key for key in self.store.latest(self.site.id) if key[0] is not Quantity.RAIN_EXPECTED]

    def _pass(
        self, start_ms: int, until_s: float, progress: Callable[[int], None], *, may_begin_later: bool
    ) -> int | None:
        """Fold from a time on. Returns from when to begin instead, where the budget is too small for all of it."""
        trial = LimitsTrial(self.site, self.limits)
        self.said, self.start_ms, self.readings = trial.said, None, 0
        began_s = self.clock()
        at_ms = told_ms = start_ms
        for piece in self._pieces(start_ms):
            if self.start_ms is None:
                if not piece.readings:
                    continue
                self.start_ms = at_ms = piece.readings[0].time_ms
                learnt_ms = 0 if may_begin_later else min((self._last_ms - at_ms) // 10, WARM_UP_MS)
                self.counted_ms = max(at_ms + learnt_ms, self.now_ms - YEAR_MS)
            at_ms = self._folded(trial, piece, at_ms)
            self.end_ms = min(piece.end_ms, self._last_ms)
            if self.end_ms - told_ms >= DAY_MS:
                progress(self.end_ms)
                told_ms = self.end_ms
            now_s = self.clock()
            if now_s >= until_s:
                self.whole = self.end_ms >= self._last_ms
                break
            spent_s = now_s - began_s
            if may_begin_later and spent_s >= min(SAMPLE_S, self.budget_s / 10):
                may_begin_later = False
                in_time_ms = int((until_s - now_s) * 0.9 * (self.end_ms - self.start_ms) / spent_s)
                if in_time_ms < self._last_ms - self.end_ms:
                    self.whole = False
                    return self._last_ms - in_time_ms
        trial.step(self.end_ms, self._outside(self.end_ms))
        return None

    def _pieces(self, start_ms: int) -> Iterator[_Piece]:
        keys = self._series()
        for from_ms in range(start_ms, self._last_ms, PIECE_MS):
            end_ms = min(from_ms + PIECE_MS, self._last_ms)
            found = [
                Reading(self.site.id, quantity, point.time_ms, point.mean, point.time_ms, subject)
                for quantity, subject in keys
                for point in self.store.series(self.site.id, quantity, from_ms, end_ms, subject=subject)
            ]
            yield _Piece(end_ms, sorted(found, key=lambda reading: reading.time_ms))

    def _folded(self, trial: LimitsTrial, piece: _Piece, at_ms: int) -> int:
        """Fold a piece and look at the rules in between. Returns when they were looked at last."""
        states: dict[Quantity, float] = {}
        for reading in piece.readings:
            at_ms = self._looked(trial, at_ms, reading.time_ms)
            trial.engine.update(reading)
            self.readings += 1
            if reading.quantity in WATCHED_STATES and states.get(reading.quantity) != reading.value:
                states[reading.quantity] = reading.value
                trial.step(reading.time_ms, self._outside(reading.time_ms))
                at_ms = reading.time_ms
        return self._looked(trial, at_ms, piece.end_ms)

    def _looked(self, trial: LimitsTrial, at_ms: int, now_ms: int) -> int:
        """Look at the rules at every time that is due before a moment."""
        while at_ms + STRIDE_MS <= now_ms:
            transferred = any(isinstance(event, Transfer) for event in trial.engine.events())
            calm = not trial.restless and not transferred
            if calm and at_ms + CALM_MS > now_ms:
                break
            at_ms += CALM_MS if calm else STRIDE_MS
            if trial.engine.untuned(at_ms) >= 1.0:
                self._refit(trial, at_ms)
            trial.step(at_ms, self._outside(at_ms))
        return at_ms

    def _refit(self, trial: LimitsTrial, at_ms: int) -> None:
        try:
            trial.engine.refit(at_ms)
        except FitError:
            return  # as in the running program, the models stay as they were

    def _outside(self, at_ms: int) -> Outside:
        test = next((one for one in self.tests if _lasts(one, at_ms)), None)
        return Outside(rehearsal=test)

    def raised(self, said: Sequence[AlarmTransition]) -> list[Raised]:
        """The alarms that count, of one set of limits, oldest first."""
        found: dict[str, Raised] = {}
        for change in said:
            alarm = change.alarm
            if alarm.kind in OUTSIDE_KINDS or alarm.raised_ms < self.counted_ms:
                continue
            before = found.get(alarm.id, Raised(alarm, None, told=False))
            cleared_ms = {TransitionKind.RAISED: None, TransitionKind.CLEARED: change.at_ms}.get(
                change.kind, before.cleared_ms
            )
            found[alarm.id] = Raised(before.alarm, cleared_ms, before.told or change.tell)
        return sorted(found.values(), key=lambda one: one.alarm.raised_ms)

    def document(self) -> dict[str, Any]:
        """What came of it, as JSON."""
        return {
            "site": self.site.id,
            "from": None if self.start_ms is None else time_text(self.counted_ms),
            "to": None if self.start_ms is None else time_text(self.end_ms),
            "whole": self.whole,
            "readings": self.readings,
            "not_tried": sorted(kind.value for kind in OUTSIDE_KINDS),
            "alarms": [[_raised_out(one) for one in self.raised(said)] for said in self.said],
        }


@dataclass(frozen=True, slots=True)
class _Piece:
    end_ms: int
    readings: list[Reading]


def _lasts(test: DischargeTest, at_ms: int) -> bool:
    """Whether the plug was pulled for a test, and it is not over for longer than a transfer takes to be seen."""
    if test.pulled_ms is None:
        return False
    return test.pulled_ms <= at_ms and (test.finished_ms is None or at_ms <= test.finished_ms + 5 * MINUTE_MS)


def _raised_out(one: Raised) -> dict[str, Any]:
    return {
        "kind": one.alarm.kind.value,
        "priority": one.alarm.priority.value,
        "raised": time_text(one.alarm.raised_ms),
        "cleared": None if one.cleared_ms is None else time_text(one.cleared_ms),
        "told": one.told,
    }
