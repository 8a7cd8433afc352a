"""Simulated outages and quiet months: what the desk said of them, in figures."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from forecaster.domain.alarms import AlarmKind, TransitionKind
from forecaster.domain.quantities import Quantity
from forecaster.twin.episode import Episode, episode
from tests.faults.walking import DAY, HOUR, MINUTE, Walk, walk

STORY = (AlarmKind.MAINS_LOST, AlarmKind.LOW_RESERVE, AlarmKind.CRITICAL_RESERVE, AlarmKind.RESERVE_REACHED)
LONGEST_MS = 60 * HOUR


@dataclass(frozen=True, slots=True)
class OutageFigures:
    """One outage.

    signalled : whether a mains signal was heard just before and after the failure
    mains_lost_s : from the failure to the alarm; None: not raised
    reached : whether the floor was reached while watched
    lead_h : from the low-reserve alarm to the floor; None: not raised, or the floor not reached
    told_a_day : the most messages a person got within 24 hours
    fastest_min : the shortest time in which three messages came [min]
    strange : kinds raised in the outage that are not part of its story
    """

    seed: int
    style: str
    life_h: float
    signalled: bool
    mains_lost_s: float | None
    reached: bool
    lead_h: float | None
    told_a_day: int
    fastest_min: float | None
    strange: tuple[str, ...]


def signalled(drawn: Episode) -> bool:
    """Whether a reading of the mains signal came within a minute after the failure."""
    at = drawn.truth.transfer_ms
    return any(
        r.quantity is Quantity.MAINS_PRESENT and r.value < 0.5 and 0 <= r.arrived_ms - at <= 10_000
        for r in drawn.readings
    )


def outage(seed: int) -> OutageFigures:
    """Walk one drawn outage, from six hours before it until after the floor or the mains' return."""
    drawn = episode(seed)
    truth = drawn.truth
    until = min(truth.end_ms + HOUR, truth.transfer_ms + LONGEST_MS)
    found = walk(drawn.site, drawn.readings, truth.transfer_ms - 6 * HOUR, until, forecast_s=900.0)
    return figures(drawn, found, until)


def figures(drawn: Episode, found: Walk, until_ms: int) -> OutageFigures:
    truth = drawn.truth
    after = [t for t in found.said if t.at_ms >= truth.transfer_ms]
    raised = [t for t in after if t.kind is TransitionKind.RAISED]

    def first(kind: AlarmKind) -> int | None:
        return next((t.at_ms for t in raised if t.alarm.kind is kind), None)

    lost, low = first(AlarmKind.MAINS_LOST), first(AlarmKind.LOW_RESERVE)
    reached = not truth.censored and truth.reserve_ms < until_ms
    times = [t.at_ms for t in found.told()]
    gaps = [(later - one) / MINUTE for one, later in zip(times, times[2:], strict=False)]
    return OutageFigures(
        seed=drawn.seed,
        style=drawn.style.value,
        life_h=(truth.reserve_ms - truth.transfer_ms) / HOUR,
        signalled=signalled(drawn),
        mains_lost_s=None if lost is None else (lost - truth.transfer_ms) / 1000.0,
        reached=reached,
        lead_h=None if low is None or not reached else (truth.reserve_ms - low) / HOUR,
        told_a_day=found.most_told(DAY),
        fastest_min=min(gaps, default=None),
        strange=tuple(sorted({t.alarm.kind.value for t in raised} - set(STORY))),
    )


def quiet(seed: int, stride_s: float) -> tuple[float, tuple[str, ...]]:
    """The days before a drawn outage: how many were watched, and the kinds raised that the truth does not explain."""
    drawn = episode(seed)
    readings = drawn.readings
    start = readings[0].arrived_ms + 6 * HOUR
    stop = drawn.truth.transfer_ms - MINUTE
    heard = (reading for reading in readings if reading.arrived_ms <= stop)
    found = walk(drawn.site, heard, start, stop, stride_s=stride_s, mains_forecast_s=1800.0)
    false = [t.alarm.kind for t in found.raised() if not explained(drawn, t.alarm.kind, t.at_ms)]
    return (stop - start) / DAY, tuple(kind.value for kind in false)


def explained(drawn: Episode, kind: AlarmKind, at_ms: int) -> bool:
    """Whether the truth holds a reason for an alarm: an earlier outage, a gap in telemetry, a clock that stepped."""
    at_s = (at_ms - drawn.start_ms) / 1000.0
    lately_s = np.arange(max(at_s - 7200.0, 0.0), at_s, 30.0)
    on_pack = bool(lately_s.size) and bool(drawn.house.on_pack(lately_s).any())
    if kind in STORY or kind is AlarmKind.PACK_NOT_CHARGING:
        return on_pack
    if kind is AlarmKind.TELEMETRY_SILENT:
        return any(gap.start_s <= at_s <= gap.stop_s + 600.0 for gap in drawn.troubles.gaps)
    if kind is AlarmKind.CLOCK_SUSPECT:
        return any(step.at_s <= at_s <= step.until_s + 3600.0 for step in drawn.troubles.clock_steps)
    return False
