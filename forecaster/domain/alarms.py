"""Alarms: kinds, priorities, states as in ISA-18.2 / IEC 62682, and their transitions."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum


class AlarmKind(StrEnum):
    """What an alarm is about."""

    MAINS_LOST = "mains-lost"
    LOW_RESERVE = "low-reserve"
    CRITICAL_RESERVE = "critical-reserve"
    RESERVE_REACHED = "reserve-reached"
    HIGH_WATER = "high-water"
    PUMP_OVERRUN = "pump-overrun"
    PUMP_SILENT = "pump-silent"
    SECOND_PUMP_RUNNING = "second-pump-running"
    RAPID_CYCLING = "rapid-cycling"
    PUMP_POWER_ABNORMAL = "pump-power-abnormal"
    LOAD_AT_RATING = "load-at-rating"
    PACK_OUTPUT_OFF = "pack-output-off"
    PACK_NOT_CHARGING = "pack-not-charging"
    PACK_TEMPERATURE = "pack-temperature"
    TELEMETRY_SILENT = "telemetry-silent"
    CLOCK_SUSPECT = "clock-suspect"
    DELIVERY_FAILING = "delivery-failing"
    TEST_DUE = "test-due"
    CHANNEL_FAILING = "channel-failing"
    FLOW_LOW = "flow-low"
    WEAR_AHEAD = "wear-ahead"
    PACK_FADING = "pack-fading"
    CHECK_VALVE_LEAKING = "check-valve-leaking"
    FLOAT_STICKING = "float-sticking"


STUDIED = frozenset({
    AlarmKind.WEAR_AHEAD, AlarmKind.PACK_FADING, AlarmKind.CHECK_VALVE_LEAKING, AlarmKind.FLOAT_STICKING
})  # fmt: skip
"""Kinds that the daily study of the long record raises: each at most once a month, and told once."""


class Priority(StrEnum):
    """Priorities, least first."""

    LOW = "low"
    MEDIUM = "medium"
    HIGH = "high"
    CRITICAL = "critical"

    @property
    def rank(self) -> int:
        """0 for low to 3 for critical."""
        return list(Priority).index(self)


class AlarmState(StrEnum):
    """States of ISA-18.2 / IEC 62682."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED_UNACKNOWLEDGED = "returned-unacknowledged"
    SHELVED = "shelved"


STANDING = (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED, AlarmState.RETURNED_UNACKNOWLEDGED)
"""States of alarms that ask for something, or whose cause still holds, and that are not shelved."""

OPEN = (*STANDING, AlarmState.SHELVED)
"""States of alarms that are not over."""


class TransitionKind(StrEnum):
    """What happened to an alarm."""

    RAISED = "raised"
    UPDATED = "updated"  # the same episode, told anew: a changed time or a higher priority
    REMINDED = "reminded"
    ACKNOWLEDGED = "acknowledged"
    CLEARED = "cleared"
    SHELVED = "shelved"
    UNSHELVED = "unshelved"


@dataclass(frozen=True, slots=True)
class AlarmText:
    """The words of an alarm in one language (ISO 639-1 code)."""

    language: str
    headline: str
    action: str
    consequence: str


@dataclass(frozen=True, slots=True)
class Alarm:
    """One episode of one cause at one site.

    id : str — "<site>:<kind>:<episode>", stable for the episode
    episode : int — UTC milliseconds at which the episode was raised
    headline : str — what happened and until when, fit for a lock screen
    action : str — what to do
    by_ms : int | None — by when
    consequence : str — what happens if nobody acts
    revision : int — counts transitions within the episode; (id, revision) is the key given to receivers
    translations : tuple[AlarmText, ...] — the same words in the other languages, as they were said at that moment
    """

    id: str
    site: str
    kind: AlarmKind
    priority: Priority
    state: AlarmState
    episode: int
    raised_ms: int
    changed_ms: int
    headline: str
    action: str
    consequence: str
    by_ms: int | None = None
    cleared_ms: int | None = None
    acknowledged_ms: int | None = None
    acknowledged_by: str | None = None
    shelved_until_ms: int | None = None
    revision: int = 0
    shelved_by: str | None = None
    translations: tuple[AlarmText, ...] = ()

    def said_in(self, language: str) -> Alarm:
        """The alarm with its words in one language only; in its site's where it has none in that one."""
        for text in self.translations:
            if text.language == language:
                return replace(
                    self,
                    headline=text.headline,
                    action=text.action,
                    consequence=text.consequence,
                    translations=(),
                )
        return replace(self, translations=())


@dataclass(frozen=True, slots=True)
class AlarmTransition:
    """A durable change of an alarm, sent through the outbox to hubs, and where `tell` is set to people.

    tell : bool — whether people are told, or only hubs
    """

    alarm: Alarm
    kind: TransitionKind
    at_ms: int
    tell: bool = True

    @property
    def key(self) -> str:
        """The key by which a receiver recognises a repeat: episode and revision."""
        return f"{self.alarm.id}:{self.alarm.revision}"
