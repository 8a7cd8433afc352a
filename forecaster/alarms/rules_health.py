"""Rules on what the daily study of the long record says of each part: at most one alarm a kind and month."""

from __future__ import annotations

from collections.abc import Mapping

from forecaster.alarms.evidence import HOLD, OFF, UNKNOWN, AlarmEvidence, Judgement, Verdict
from forecaster.domain.alarms import AlarmKind, Priority
from forecaster.domain.longrecord import HousePart, PartState, PartTold
from forecaster.domain.times import DAY_MS

MONTH_MS = 30 * DAY_MS
"""A kind is not raised again before so long has passed since it was last raised."""

PARTS: Mapping[AlarmKind, tuple[HousePart, ...]] = {
    AlarmKind.WEAR_AHEAD: (HousePart.DISCHARGE_LINE, HousePart.PUMP_FLOW, HousePart.PUMP_POWER),
    AlarmKind.PACK_FADING: (HousePart.PACK_CAPACITY, HousePart.PACK_LOSSES),
    AlarmKind.CHECK_VALVE_LEAKING: (HousePart.CHECK_VALVE,),
    AlarmKind.FLOAT_STICKING: (HousePart.FLOAT,),
}
"""Parts that each kind is about, the one to speak first where several are as grave."""

_GRAVITY = {PartState.UNKNOWN: 0, PartState.GOOD: 1, PartState.WATCH: 2, PartState.ACT: 3}


def gravest_part(kind: AlarmKind, seen: AlarmEvidence) -> PartTold | None:
    """The gravest of the parts that a kind is about; None where no study tells of them."""
    found = [told for part in PARTS[kind] for told in seen.outside.parts if told.part is part]
    return max(found, key=lambda told: _GRAVITY[told.state], default=None)


def _judged(kind: AlarmKind, seen: AlarmEvidence) -> Judgement:
    told = gravest_part(kind, seen)
    if told is None or told.state is PartState.UNKNOWN:
        return UNKNOWN
    if told.state is PartState.GOOD:
        return OFF
    raised_ms = seen.raised_ms.get(kind)
    if kind not in seen.open and raised_ms is not None and seen.now_ms - raised_ms < MONTH_MS:
        return HOLD
    priority = Priority.MEDIUM if told.state is PartState.ACT else Priority.LOW
    return Judgement(Verdict.ON, told.part.value, priority=priority)


def wear_ahead(seen: AlarmEvidence) -> Judgement:
    """Flow or power of the pump, or the discharge line, is no longer what it was."""
    return _judged(AlarmKind.WEAR_AHEAD, seen)


def pack_fading(seen: AlarmEvidence) -> Judgement:
    """The pack holds less than at first, or uses more for itself."""
    return _judged(AlarmKind.PACK_FADING, seen)


def check_valve_leaking(seen: AlarmEvidence) -> Judgement:
    """Water runs back into the pit after the runs."""
    return _judged(AlarmKind.CHECK_VALVE_LEAKING, seen)


def float_sticking(seen: AlarmEvidence) -> Judgement:
    """Starts come late, or runs lift more or less than they did."""
    return _judged(AlarmKind.FLOAT_STICKING, seen)
