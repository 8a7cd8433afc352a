"""The alarms of one outage form a group: which of them is told, which messages may follow, and what is not news."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from forecaster.alarms.budget import Budget
from forecaster.alarms.evidence import AlarmEvidence, Judgement
from forecaster.alarms.standing import Standing
from forecaster.domain.alarms import AlarmKind, AlarmTransition, Priority, TransitionKind

OUTAGE: tuple[AlarmKind, ...] = (
    AlarmKind.MAINS_LOST,
    AlarmKind.LOW_RESERVE,
    AlarmKind.CRITICAL_RESERVE,
    AlarmKind.RESERVE_REACHED,
)
"""A mains failure and its reserve, mildest first: the group of an outage."""

OUTAGE_ALARMS = frozenset({*OUTAGE, AlarmKind.HIGH_WATER, AlarmKind.PUMP_SILENT, AlarmKind.PACK_OUTPUT_OFF})
"""While an alarm of these kinds is open, no discharge test may begin."""

RESERVE = frozenset({AlarmKind.LOW_RESERVE, AlarmKind.CRITICAL_RESERVE})

WITH_LOSS = {"": "lost", "inferred": "seems-lost"}
"""How a reserve is worded that is told with the loss of the mains, by the loss's own wording; a test has none."""

TOLD_ANYWAY = frozenset({AlarmKind.TELEMETRY_SILENT})
"""Kinds whose end the next message of the house tells too: told for itself only where there is room."""

UPDATE_EVERY_MS = 2 * 3_600_000
HUB_EVERY_MS = 20 * 60_000
HUB_SHARE = 0.15


def told_with_loss(
    kind: AlarmKind, judged: Judgement, changes: Sequence[AlarmTransition], standings: Mapping[AlarmKind, Standing]
) -> Judgement:
    """A reserve that is short as the loss of the mains is told is told with it: one message for both.

    changes : what this step has changed so far; the loss of the mains is judged before the reserve
    """
    lost = any(t.alarm.kind is AlarmKind.MAINS_LOST and t.kind is TransitionKind.RAISED for t in changes)
    variant = WITH_LOSS.get(standings[AlarmKind.MAINS_LOST].variant) if lost and kind in RESERVE else None
    return judged if variant is None else replace(judged, variant=variant, on_delay_s=0.0)


def leads_group(kind: AlarmKind, standings: Mapping[AlarmKind, Standing]) -> bool:
    """Whether this alarm is the one told of its group: the gravest that stands."""
    if kind not in OUTAGE:
        return True
    standing = [item for item in OUTAGE if item in standings and standings[item].open]
    return bool(standing) and standing[-1] is kind


def milder(kind: AlarmKind) -> tuple[AlarmKind, ...]:
    """The alarms of the group that an acknowledgement of this one covers."""
    return OUTAGE[: OUTAGE.index(kind)] if kind in OUTAGE else ()


def still_to_come(standings: Mapping[AlarmKind, Standing]) -> int:
    """Messages that the outage under way may still need: of its graver alarms and of its end."""
    if AlarmKind.MAINS_LOST not in standings or not standings[AlarmKind.MAINS_LOST].gate.active:
        return 0
    later = [kind for kind in OUTAGE[1:] if kind not in standings or not standings[kind].gate.active]
    return len(later) + 1


def may_raise(priority: Priority, budget: Budget, standings: Mapping[AlarmKind, Standing], now_ms: int) -> bool:
    """Whether people may be told now that something of this priority is wrong."""
    return budget.may_raise(priority, still_to_come(standings), now_ms)


def has_room(item: AlarmTransition, budget: Budget, standings: Mapping[AlarmKind, Standing]) -> bool:
    """Whether a raise or an end may be told now."""
    if item.kind is TransitionKind.RAISED:
        return may_raise(item.alarm.priority, budget, standings, item.at_ms)
    if item.alarm.kind in TOLD_ANYWAY:
        return budget.may_repeat(still_to_come(standings), item.at_ms)
    return budget.may_clear(item.at_ms)


def recurs(standing: Standing, kind: AlarmKind) -> bool:
    """Whether a low reserve comes back that people were told of in this outage.

    A predicted end outside the range that was told is then an update.
    """
    return kind is AlarmKind.LOW_RESERVE and standing.rejoins > 0 and standing.told_ms is not None


def give_all_clear(told: AlarmTransition, standings: Mapping[AlarmKind, Standing]) -> None:
    """After people are told that the mains is back, a short reserve is news: whoever sent for power called it off."""
    if told.alarm.kind is AlarmKind.MAINS_LOST and told.kind is TransitionKind.CLEARED:
        for kind in RESERVE & standings.keys():
            standings[kind].told_ms = None


def was_told(standings: Mapping[AlarmKind, Standing]) -> bool:
    """Whether people were told of any alarm of the outage that stands, or has just ended."""
    mains = standings.get(AlarmKind.MAINS_LOST)
    if mains is None or mains.alarm is None:
        return False
    since = mains.alarm.raised_ms
    told = [standings[kind].told_ms for kind in OUTAGE if kind in standings]
    return any(at is not None and at >= since for at in told)


def is_news(transition: AlarmTransition, seen: AlarmEvidence, standings: Mapping[AlarmKind, Standing]) -> bool:
    """Whether people need to hear of a raise or a clear, regardless of the budget."""
    alarm = transition.alarm
    standing = standings[alarm.kind]
    if transition.kind is TransitionKind.RAISED:
        return standing.shelved_until_ms is None and not recurs(standing, alarm.kind)
    if standing.shelved_until_ms is not None:
        return False
    if standing.told_ms is None and not (alarm.kind is AlarmKind.MAINS_LOST and was_told(standings)):
        return False
    if alarm.kind in OUTAGE[1:] and not seen.on_pack:
        return False  # the mains' return tells it
    if alarm.kind is AlarmKind.LOW_RESERVE:
        return False  # an end that moves out of the range told is an update of its own
    heard_again = alarm.kind is AlarmKind.TELEMETRY_SILENT and standing.variant != "part"
    return heard_again or alarm.priority.rank >= Priority.HIGH.rank


def redundant(transitions: list[AlarmTransition]) -> list[AlarmTransition]:
    """The transitions of one step that need no message: only the gravest raise is told, and of ends the mains' return.

    The end of silence is told by the message about what is then heard.
    """
    raised = [item for item in transitions if item.kind is TransitionKind.RAISED and item.alarm.kind in OUTAGE]
    cleared = [item for item in transitions if item.kind is TransitionKind.CLEARED]
    quiet = sorted(raised, key=lambda item: OUTAGE.index(item.alarm.kind))[:-1]
    order = sorted(cleared, key=lambda item: (item.alarm.kind is AlarmKind.MAINS_LOST, item.alarm.priority.rank))
    told_by_raise = raised and order and order[-1].alarm.kind is AlarmKind.TELEMETRY_SILENT
    return quiet + (order if told_by_raise else order[:-1])
