"""Rules about the monitoring itself: silence, clock, deliveries, rehearsals."""

from __future__ import annotations

from forecaster.alarms.evidence import HOLD, OFF, UNKNOWN, AlarmEvidence, Judgement, Verdict
from forecaster.alarms.one_a_pump import still_powered
from forecaster.domain.alarms import AlarmKind, Priority
from forecaster.domain.quantities import Quantity
from forecaster.domain.status import QuantityAge
from forecaster.domain.times import DAY_MS

FIRST_TEST_DAYS = 45.0
"""A site never tested is asked for its first test after this many days."""
TELLING = frozenset(
    {
        Quantity.PUMP_POWER,
        Quantity.PUMP_CURRENT,
        Quantity.PUMP_ENERGY,
        Quantity.PACK_CHARGE,
        Quantity.PACK_OUTPUT_POWER,
    }
)
"""Quantities of the pump and the pack that devices report regularly; one that reports only changes may be quiet."""
FROZEN_DELAY_S = 1800.0
ON_PACK = 2.0 / 3.0
"""On the pack, silence is told after this share of the limit."""


def telemetry_silent(seen: AlarmEvidence) -> Judgement:
    """Nothing was heard for longer than the limit; sooner on the pack, since the router may fail with it.

    The priority follows the projection: a house last heard on the pack nears its end unobserved.
    """
    status = seen.status
    if status.clock_suspect is not None:
        return UNKNOWN  # an age told by a wrong clock
    if seen.outside.trouble is not None or seen.outside.broker is not None:
        return Judgement(Verdict.ON, "trouble", priority=_urgency(seen), on_delay_s=300.0)
    if status.frozen:
        return Judgement(Verdict.ON, "frozen", priority=_urgency(seen), on_delay_s=FROZEN_DELAY_S)
    if not status.silent:
        return _partly_silent(seen)
    limit_min = seen.row(AlarmKind.TELEMETRY_SILENT).limit or 0.0
    if seen.on_pack:
        limit_min *= ON_PACK
    if status.data_age_s is not None and status.data_age_s < 60.0 * limit_min:
        return HOLD
    if status.data_age_s is None and seen.now_ms - seen.first_ms < 60_000.0 * limit_min:
        return HOLD
    if status.data_age_s is None:
        return Judgement(Verdict.ON, "never")
    if not seen.on_pack:
        return Judgement(Verdict.ON, "mains", priority=_urgency(seen))
    empty = seen.forecast.hours_to_empty.p50
    spent = empty is not None and empty <= 0.1
    return Judgement(Verdict.ON, "empty" if spent else "pack", priority=_urgency(seen))


def _partly_silent(seen: AlarmEvidence) -> Judgement:
    """A plug or pack has been silent for twice the limit while the rest of the house is heard."""
    limit_s = 2.0 * 60.0 * (seen.row(AlarmKind.TELEMETRY_SILENT).limit or 0.0)
    missing = [age for age in quiet_devices(seen) if age.age_s is not None and age.age_s > limit_s]
    return Judgement(Verdict.ON, "part") if missing else OFF


def quiet_devices(seen: AlarmEvidence) -> list[QuantityAge]:
    """Quantities that are reported regularly, were heard, and are silent now without having lost their power."""
    quiet = (age for age in seen.status.ages if age.silent and age.age_s is not None and age.quantity in TELLING)
    return still_powered(seen, quiet)


def _urgency(seen: AlarmEvidence) -> Priority:
    """Medium on mains, high on the pack, critical when the projected end is near."""
    if not seen.on_pack:
        return Priority.MEDIUM
    early = seen.forecast.hours_remaining.p10
    limit = seen.row(AlarmKind.CRITICAL_RESERVE).limit or 0.0
    return Priority.CRITICAL if early is not None and early < limit else Priority.HIGH


def clock_suspect(seen: AlarmEvidence) -> Judgement:
    """The clock cannot be trusted; the engine says why."""
    return OFF if seen.status.clock_suspect is None else Judgement(Verdict.ON)


def delivery_failing(seen: AlarmEvidence) -> Judgement:
    """A delivery channel has failed for longer than the limit; it is told on the others."""
    limit_ms = 60_000.0 * (seen.row(AlarmKind.DELIVERY_FAILING).limit or 0.0)
    if any(seen.now_ms - failing.since_ms > limit_ms for failing in seen.outside.failing):
        return Judgement(Verdict.ON)
    return HOLD if seen.outside.failing else OFF


def rehearsal_due(seen: AlarmEvidence) -> Judgement:
    """The last rehearsal is a year ago; for a site never tested, a while after it was first seen."""
    if seen.status.clock_suspect is not None:
        return UNKNOWN
    last = seen.status.last_test_ms
    if last is None:
        due_ms = seen.first_ms + int(FIRST_TEST_DAYS * DAY_MS)
        return Judgement(Verdict.ON, "first") if seen.now_ms > due_ms else OFF
    limit_days = seen.row(AlarmKind.TEST_DUE).limit or 0.0
    return Judgement(Verdict.ON) if seen.now_ms > last + int(limit_days * DAY_MS) else OFF
