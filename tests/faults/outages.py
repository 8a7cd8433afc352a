"""Simulated outages and quiet months: what the manager said of them, in figures."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from forecaster.alarms.plan import MAIL, PUSH, WEBHOOK, deliveries
from forecaster.domain.alarms import AlarmKind, AlarmTransition, TransitionKind
from forecaster.domain.quantities import Quantity
from forecaster.domain.site import Contact
from forecaster.twin.episode import Episode, episode, merged
from forecaster.twin.styles import Style
from tests.faults.looks import Looks, looks_of
from tests.faults.walking import DAY, HOUR, MINUTE, OUTAGE, RESTING, Cadence, Walk, walk
from tests.forecaster.evidence import LARKSPUR

STORY = (AlarmKind.MAINS_LOST, AlarmKind.LOW_RESERVE, AlarmKind.CRITICAL_RESERVE, AlarmKind.RESERVE_REACHED)
STYLES = tuple(Style)
"""Every sampling style of the twin, in turn by seed."""
ACTS = (AlarmKind.LOW_RESERVE, AlarmKind.CRITICAL_RESERVE, AlarmKind.RESERVE_REACHED)
"""Kinds whose message names the act: power has to be brought."""
OWNED = replace(LARKSPUR, contacts=(Contact("owner", webhook="https://hook.example.org/"),))
BEFORE_MS = HOUR
LONGEST_MS = 60 * HOUR
STORMY = 0.3
"""A month whose fullest hour keeps the pump busy for this share of it is a stormy one."""
FIRST_MS = 6 * HOUR
"""A new installation is left alone for its first hours."""


@dataclass(frozen=True, slots=True)
class OutageFigures:
    """One outage.

    signalled : whether a mains signal was heard just after the failure
    mains_lost_s : from the failure to the alarm; None: not raised
    reached : whether the floor was reached while watched
    lead_h : from the low-reserve alarm to the floor; None: not raised, or the floor not reached
    act_h : from the first message told to a person that names the act (bring power) to the floor; None as above
    told_a_day : the most messages a person got within 24 hours
    fastest_min : the shortest time in which three messages came [min]
    strange : kinds raised in the outage that are not among its own, and the hours after the failure
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
    strange: tuple[tuple[str, float], ...]
    act_h: float | None = None


@dataclass(frozen=True, slots=True)
class QuietFigures:
    """One site's month on mains: days watched, and what was raised that the truth does not explain.

    false : kinds, and the days after the beginning
    busiest : the fullest hour of the pump, share of its time, 0..1
    """

    seed: int
    style: str
    days: float
    false: tuple[tuple[str, float], ...]
    busiest: float = 0.0

    @property
    def stormy(self) -> bool:
        """Whether the pump was as busy as in a storm."""
        return self.busiest >= STORMY


def reaches(transition: AlarmTransition) -> bool:
    """Whether the owner is sent the message at once."""
    owed = deliveries(transition, OWNED, transition.at_ms)
    return any(item.channel in (MAIL, WEBHOOK, PUSH) and item.due_ms <= transition.at_ms for item in owed)


def signalled(drawn: Episode) -> bool:
    """Whether a reading of the mains signal came within ten seconds after the failure."""
    at = drawn.truth.transfer_ms
    return any(
        bool(np.any((track.value < 0.5) & (track.arrived_ms >= at) & (track.arrived_ms <= at + 10_000)))
        for track in drawn.tracks
        if track.sensor.quantity is Quantity.MAINS_PRESENT
    )


def outage(seed: int, cadence: Cadence = OUTAGE) -> OutageFigures:
    """Walk one drawn outage, from an hour before it until an hour after the floor, or the mains' return."""
    drawn = episode(seed, STYLES)
    truth = drawn.truth
    after_ms = 0 if truth.censored else HOUR  # the messages of an outage that the mains ends go no further
    until = min(truth.end_ms + after_ms, truth.transfer_ms + LONGEST_MS)
    readings = merged(drawn.site.id, drawn.tracks, drawn.outlooks)
    looks = Looks.of([(truth.transfer_ms - MINUTE, truth.transfer_ms + 5 * MINUTE)])
    found = walk(drawn.site, readings, truth.transfer_ms - BEFORE_MS, until, cadence=cadence, looks=looks)
    return figures(drawn, found, until)


def figures(drawn: Episode, found: Walk, until_ms: int) -> OutageFigures:
    """What a walk through an outage came to."""
    truth = drawn.truth
    after = [t for t in found.said if t.at_ms >= truth.transfer_ms]
    raised = [t for t in after if t.kind is TransitionKind.RAISED]

    def first(kind: AlarmKind) -> int | None:
        return next((t.at_ms for t in raised if t.alarm.kind is kind), None)

    lost, low = first(AlarmKind.MAINS_LOST), first(AlarmKind.LOW_RESERVE)
    reached = not truth.censored and truth.reserve_ms < until_ms
    act = next((t.at_ms for t in after if t.tell and t.alarm.kind in ACTS and reaches(t)), None)
    times = [t.at_ms for t in found.told()]
    gaps = [(later - one) / MINUTE for one, later in zip(times, times[2:], strict=False)]
    others = [t for t in raised if t.alarm.kind not in STORY and not explained(drawn, t.alarm.kind, t.at_ms)]
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
        act_h=None if act is None or not reached else (truth.reserve_ms - act) / HOUR,
        strange=tuple((t.alarm.kind.value, round((t.at_ms - truth.transfer_ms) / HOUR, 2)) for t in others),
    )


def quiet(seed: int, days: float = 30.0, cadence: Cadence = RESTING) -> QuietFigures:
    """The days before a drawn outage."""
    drawn = episode(seed, STYLES, history=days)
    start = min(int(track.arrived_ms[0]) for track in drawn.tracks if track.arrived_ms.size)
    stop = drawn.truth.transfer_ms - MINUTE
    looks = looks_of(drawn)
    readings = merged(drawn.site.id, drawn.tracks, drawn.outlooks)
    found = walk(drawn.site, readings, start + FIRST_MS, stop, cadence=cadence, looks=looks)
    false = [t for t in found.raised() if not explained(drawn, t.alarm.kind, t.at_ms)]
    return QuietFigures(
        seed=seed,
        style=drawn.style.value,
        days=(stop - start - FIRST_MS) / DAY,
        false=tuple((t.alarm.kind.value, round((t.at_ms - start) / DAY, 3)) for t in false),
        busiest=busiest_hour(drawn, stop),
    )


def busiest_hour(drawn: Episode, until_ms: int) -> float:
    """The fullest hour of the pump before a time, as a share of its time."""
    runs, until_s = drawn.house.runs, (until_ms - drawn.start_ms) / 1000.0
    before = runs.stop_s <= until_s
    hours = (runs.start_s[before] // 3600.0).astype(np.int64)
    worked_s = np.bincount(hours - hours.min(initial=0), runs.stop_s[before] - runs.start_s[before], 1)
    return float(min(worked_s.max() / 3600.0, 1.0))


def explained(drawn: Episode, kind: AlarmKind, at_ms: int) -> bool:
    """Whether the truth holds a reason for an alarm: an outage, a gap in telemetry, a clock that stepped."""
    at_s = (at_ms - drawn.start_ms) / 1000.0
    if kind in STORY or kind is AlarmKind.PACK_NOT_CHARGING:
        lately_s = np.linspace(at_s - 7200.0, at_s, 241)
        return bool(drawn.house.on_pack(lately_s).any())
    if kind is AlarmKind.TELEMETRY_SILENT:
        if drawn.truth.empty_ms <= at_ms:
            return True  # the house has gone dark
        late_s = max(track.sensor.every_s for track in drawn.tracks)  # what reports seldom comes back so much later
        return any(gap.start_s <= at_s <= gap.stop_s + 600.0 + late_s for gap in drawn.troubles.gaps)
    if kind is AlarmKind.CLOCK_SUSPECT:
        return any(step.at_s <= at_s <= step.until_s + 3600.0 for step in drawn.troubles.clock_steps)
    return False
