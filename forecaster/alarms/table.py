"""The rationalisation table: every alarm with its limit, delays, priority, and the time there is to respond.

One table for code and documents: `markdown()` is what the handbook carries, and a test holds the two together.
Rationalisation as in ANSI/ISA-18.2-2016 and IEC 62682: each alarm has a consequence, a response, a time to respond.
On-delay, off-delay and deadband as in OPC 10000-9 B.1.5. The default limits are this project's own choice.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import StrEnum

from forecaster.domain.alarms import AlarmKind, Priority
from forecaster.domain.site import AlarmLimits
from forecaster.texts.catalogue import words


class Side(StrEnum):
    """On which side of its limit a measure alarms."""

    BELOW = "below"
    ABOVE = "above"
    STATE = "state"  # yes or no: no limit


@dataclass(frozen=True, slots=True)
class Rationale:
    """One row of the table.

    limit : float | None — beyond it the alarm is raised [unit]; None for a state
    deadband : float — the way back from the limit to the level that clears [unit]; scales with the owner's limit
    on_delay_s, off_delay_s : float — how long the condition, or its absence, must hold
    runs : int — how many different pump runs must show it before it is raised; 1 where runs do not matter
    respond_s : float — time to respond after the raise [s]
    """

    kind: AlarmKind
    side: Side
    limit: float | None
    unit: str
    deadband: float
    on_delay_s: float
    off_delay_s: float
    priority: Priority
    respond_s: float
    runs: int = 1

    @property
    def clear_level(self) -> float | None:
        """The level that must be reached before the alarm clears [unit]."""
        if self.limit is None:
            return None
        return self.limit + self.deadband if self.side is Side.BELOW else self.limit - self.deadband

    def at(self, limit: float) -> Rationale:
        """The same row with the owner's limit; the deadband keeps its share of the limit."""
        if self.limit is None:
            return self
        share = limit / self.limit if self.limit else 1.0
        return replace(self, limit=limit, deadband=self.deadband * share)


_K, _P, _S = AlarmKind, Priority, Side
_MIN, _HOUR, _DAY = 60.0, 3600.0, 86_400.0

TABLE: Mapping[AlarmKind, Rationale] = {
    row.kind: row
    for row in (
        Rationale(_K.MAINS_LOST, _S.STATE, None, "", 0.0, 20.0, 60.0, _P.HIGH, _HOUR),
        Rationale(_K.LOW_RESERVE, _S.BELOW, 6.0, "h", 0.3, 2 * _MIN, 30 * _MIN, _P.HIGH, 2 * _HOUR),
        Rationale(_K.CRITICAL_RESERVE, _S.BELOW, 2.0, "h", 0.1, 2 * _MIN, 20 * _MIN, _P.CRITICAL, 30 * _MIN),
        Rationale(_K.RESERVE_REACHED, _S.BELOW, 0.0, "%", 3.0, 30.0, 5 * _MIN, _P.CRITICAL, 15 * _MIN),
        Rationale(_K.HIGH_WATER, _S.STATE, None, "", 0.0, 10.0, 5 * _MIN, _P.CRITICAL, 5 * _MIN),
        Rationale(_K.PUMP_OVERRUN, _S.ABOVE, 8.0, "x normal run", 4.0, 30.0, 2 * _MIN, _P.HIGH, 30 * _MIN),
        Rationale(_K.PUMP_SILENT, _S.ABOVE, 0.99, "chance", 0.49, 2 * _MIN, _MIN, _P.CRITICAL, 15 * _MIN),
        Rationale(_K.SECOND_PUMP_RUNNING, _S.STATE, None, "", 0.0, 30.0, 60 * _MIN, _P.HIGH, 2 * _HOUR),
        Rationale(_K.RAPID_CYCLING, _S.ABOVE, 3.0, "x normal rate", 1.0, 10 * _MIN, 60 * _MIN, _P.MEDIUM, _DAY),
        Rationale(_K.PUMP_POWER_ABNORMAL, _S.ABOVE, 20.0, "%", 8.0, 0.0, 60 * _MIN, _P.MEDIUM, _DAY, runs=6),
        Rationale(_K.LOAD_AT_RATING, _S.STATE, None, "", 0.0, 0.0, 60 * _MIN, _P.MEDIUM, _DAY, runs=2),
        Rationale(_K.PACK_OUTPUT_OFF, _S.STATE, None, "", 0.0, 2 * _MIN, _MIN, _P.CRITICAL, 15 * _MIN),
        Rationale(_K.PACK_NOT_CHARGING, _S.BELOW, 90.0, "%", 2.0, 30 * _MIN, 15 * _MIN, _P.HIGH, 4 * _HOUR),
        Rationale(_K.PACK_TEMPERATURE, _S.ABOVE, 45.0, "degC", 3.0, 5 * _MIN, 15 * _MIN, _P.MEDIUM, 4 * _HOUR),
        Rationale(_K.TELEMETRY_SILENT, _S.ABOVE, 15.0, "min", 0.0, 0.0, 2 * _MIN, _P.MEDIUM, 2 * _HOUR),
        Rationale(_K.CLOCK_SUSPECT, _S.STATE, None, "", 0.0, 5 * _MIN, 5 * _MIN, _P.LOW, 7 * _DAY),
        Rationale(_K.DELIVERY_FAILING, _S.ABOVE, 30.0, "min", 0.0, 0.0, _MIN, _P.MEDIUM, _DAY),
        Rationale(_K.FLOW_LOW, _S.ABOVE, 25.0, "%", 10.0, 0.0, 60 * _MIN, _P.MEDIUM, _DAY, runs=6),
        Rationale(_K.CHANNEL_FAILING, _S.STATE, None, "", 0.0, 5 * _MIN, 10 * _MIN, _P.MEDIUM, _DAY),
        Rationale(_K.WEAR_AHEAD, _S.STATE, None, "", 0.0, 0.0, 0.0, _P.LOW, 14 * _DAY),
        Rationale(_K.PACK_FADING, _S.STATE, None, "", 0.0, 0.0, 0.0, _P.LOW, 30 * _DAY),
        Rationale(_K.CHECK_VALVE_LEAKING, _S.STATE, None, "", 0.0, 0.0, 0.0, _P.LOW, 14 * _DAY),
        Rationale(_K.FLOAT_STICKING, _S.STATE, None, "", 0.0, 0.0, 0.0, _P.LOW, 7 * _DAY),
        Rationale(_K.TEST_DUE, _S.ABOVE, 365.0, "days", 0.0, 0.0, 0.0, _P.LOW, 30 * _DAY),
    )
}
"""Default rows by kind."""

_RESERVE = (
    "p10 of hours remaining, on the pack (while the charge falls, clears above three times the limit, and not while"
    " gauge and energy contradict each other)"
)
MEASURES: Mapping[AlarmKind, str] = {
    _K.MAINS_LOST: "the pack carries the pump",
    _K.LOW_RESERVE: _RESERVE,
    _K.CRITICAL_RESERVE: _RESERVE,
    _K.RESERVE_REACHED: "charge above the reserve floor",
    _K.HIGH_WATER: "the independent float is up",
    _K.PUMP_OVERRUN: "length of the run that lasts now over the learnt 95 % point",
    _K.PUMP_SILENT: (
        "probability that a run would have come by now, and two usual cycles have passed (where the floor would be wet"
        " within the hour: half the time from when the run was due to the wet floor, or 1.3 usual waits where a run"
        " that is lost leaves a trace and none is seen, and 20 s; more where runs come unevenly, and never for one run"
        " alone where it may have been lost, as runs were before)"
    ),
    _K.SECOND_PUMP_RUNNING: (
        "of two pumps the second lifts: twice with no run of the first between, or when the first was overdue or its"
        " own pack is empty, or both at once"
    ),
    _K.RAPID_CYCLING: (
        "starts in the last hour over the learnt 95 % point (of runs of the usual length: for 48 h that do not grow"
        " fewer)"
    ),
    _K.PUMP_POWER_ABNORMAL: "running power away from the learnt median",
    _K.LOAD_AT_RATING: "running power sits at the pack's continuous rating",
    _K.PACK_OUTPUT_OFF: (
        "charge left, but the output carries nothing when due (of several packs one, while another one carries: high,"
        " on mains medium)"
    ),
    _K.PACK_NOT_CHARGING: "charge on mains while it does not rise (from 75 %: and is below where it rested)",
    _K.PACK_TEMPERATURE: "pack temperature (or below 0 degC for lithium, clearing above 2)",
    _K.TELEMETRY_SILENT: "silence beyond the normal rhythm (two thirds of the limit on the pack)",
    _K.CLOCK_SUSPECT: "the clock cannot be trusted",
    _K.DELIVERY_FAILING: "time for which a channel has failed",
    _K.FLOW_LOW: "flow of the newest twelve runs below the usual one: drawdown over run and wait",
    _K.CHANNEL_FAILING: (
        "a channel never heard (1 h; what tells only of changes 24 h), refusing a twentieth of its messages, or"
        " standing still while it must move"
    ),
    _K.WEAR_AHEAD: "the daily study's flow, power or discharge line is to be watched (or, medium, acted upon)",
    _K.PACK_FADING: "the daily study's capacity or losses of the pack are to be watched (or, medium, acted upon)",
    _K.CHECK_VALVE_LEAKING: "the daily study sees water run back (medium from 40 % of a run)",
    _K.FLOAT_STICKING: "the daily study sees starts come late, or runs spread (medium from 12 % more late starts)",
    _K.TEST_DUE: "time since the last discharge test (the first: 45 days after the start)",
}
"""What each limit is compared with."""


def row_for(kind: AlarmKind, limits: AlarmLimits) -> Rationale:
    """The row in force at a site: the default with the owner's limit."""
    row = TABLE[kind]
    own = limits.others.get(kind)
    if kind is AlarmKind.LOW_RESERVE and limits.low_reserve_h is not None:
        own = limits.low_reserve_h
    if kind is AlarmKind.CRITICAL_RESERVE and limits.critical_reserve_h is not None:
        own = limits.critical_reserve_h
    return row if own is None else row.at(own)


def _span(seconds: float) -> str:
    if seconds >= _DAY:
        return f"{seconds / _DAY:g} d"
    if seconds >= _HOUR:
        return f"{seconds / _HOUR:g} h"
    return f"{seconds / _MIN:g} min" if seconds >= _MIN else f"{seconds:g} s"


def markdown() -> str:
    """The table as documents carry it."""
    said = words()
    head = (
        "| kind | compared | raises | clears | on-delay | off-delay | priority | respond within "
        "| if nobody acts | response |"
    )
    lines = [head, "|" + "---|" * 10]
    for row in TABLE.values():
        if row.limit is None:
            raises, clears = "yes", "no"
        else:
            raises = f"{row.side} {row.limit:g} {row.unit}"
            clears = f"{'above' if row.side is Side.BELOW else 'below'} {row.clear_level:g} {row.unit}"
        if row.runs > 1:
            raises += f", {row.runs} runs"
        cells = (
            f"`{row.kind}`", MEASURES[row.kind], raises, clears, _span(row.on_delay_s), _span(row.off_delay_s),
            row.priority.value, _span(row.respond_s),
            said(f"alarm.{row.kind}.consequence"), said(f"alarm.{row.kind}.response"),
        )  # fmt: skip
        lines.append("| " + " | ".join(cells) + " |")
    return "\n".join(lines) + "\n"
