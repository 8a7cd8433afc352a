"""Time in which the pump is not heard: its energy is estimated as it passes, and corrected by late readings."""

from __future__ import annotations

from collections.abc import Iterable

import msgspec

from forecaster.engine.accounts import Mark
from forecaster.engine.evidence import Healed
from forecaster.segment.rhythm import Rhythm
from forecaster.segment.segmenter import Segmenter

FILL_DUTY = 0.04
"""Assumed share of time that a pump runs while nothing is heard of it (common practice, no source)."""

_LATE_MS = 60_000
_FROM_DUE, _TO_DUE = 0.6, 1.4
_POINT_MS = 60_000


class LateCourse(msgspec.Struct):
    """The pump's energy by late readings, in a time for which it had been estimated.

    points : list[tuple[int, float]] — source time [ms], the meter's total there [Wh]
    """

    points: list[tuple[int, float]] = msgspec.field(default_factory=list)

    def note(self, at_ms: int, now_ms: int, total_wh: float) -> bool:
        """Take the meter's total after a reading of the pump; whether that reading came late by source time."""
        if at_ms >= now_ms - _LATE_MS:
            return False
        if not self.points or at_ms - self.points[-1][0] >= _POINT_MS:
            self.points.append((at_ms, total_wh))
        return True

    def take(self) -> list[tuple[int, float]]:
        """The course since it was last taken; its end begins the next."""
        points = self.points
        self.points = points[-1:]
        return points if len(points) > 1 else []


def note_missed(
    segmenter: Segmenter, streams: Iterable[Rhythm], heard_ms: int, until_ms: int, usual_s: float | None
) -> None:
    """Take a silence of the whole house: where it is longer than one of its streams explains, a run that was due may
    have been missed by what reports on change, though that source may be silent for so long.

    streams : Iterable[Rhythm] — of all that is heard beside the run sources
    heard_ms, until_ms : int — newest reading before the silence, and the one that ends it, UTC milliseconds
    usual_s : float | None — usual interval between starts [s]. A silence that ends sooner than 0.6 of it after a run
        hides none; one that begins later than 1.4 of it hides no more than was missed before
    """
    rhythms = (*streams, *segmenter.rhythms())
    allowed_ms = min((rhythm.silence_ms for rhythm in rhythms if not rhythm.silent(heard_ms)), default=None)
    if allowed_ms is None or until_ms - heard_ms <= allowed_ms:
        return
    due_ms = 1000.0 * (usual_s or 0.0)
    for tracker in segmenter.trackers.values():
        seen_ms = max(tracker.last_on_ms, tracker.blind_to_ms or 0)
        due = until_ms - seen_ms >= _FROM_DUE * due_ms and (due_ms == 0.0 or heard_ms - seen_ms <= _TO_DUE * due_ms)
        if tracker.rhythm.on_change and due:
            tracker.missed = True


def unheard_ms(segmenter: Segmenter, since_ms: int, at_ms: int) -> int:
    """How long the pump has been silent beyond what its rhythm explains, counted from a given time at most [ms].

    Time that the meter already counts as blind is not included.
    """
    heard = [rhythm for rhythm in segmenter.rhythms() if rhythm.last_ms is not None]
    if any(at_ms - (rhythm.last_ms or 0) <= rhythm.gap_ms for rhythm in heard):
        return 0
    newest = max((rhythm.last_ms or 0 for rhythm in heard), default=since_ms)
    return max(at_ms - max(newest, since_ms), 0)


def healed(points: list[tuple[int, float]], opened: Mark, unheard_wh: float, lump_wh: float) -> list[Healed]:
    """The evidence of late points of the meter about the discharge that began at a mark; none without such points.

    unheard_wh : float — the energy that stays estimated before them [Wh]
    lump_wh : float — energy of one sample of the running pump where runs are caught by chance [Wh]; else 0
    """
    course = tuple(
        ((at_ms - opened.at_ms) / 1000.0, max(total_wh - opened.plug_wh, 0.0))
        for at_ms, total_wh in points
        if at_ms >= opened.at_ms
    )
    return [Healed(course, unheard_wh, lump_wh)] if course else []
