"""The state of one kind of alarm at a site, and the manager's whole state as it is saved."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace

import msgspec

from forecaster.alarms.budget import Budget, reminder_due
from forecaster.alarms.evidence import AlarmEvidence
from forecaster.alarms.gate import Gate
from forecaster.alarms.settlement import Settlement
from forecaster.alarms.table import Rationale
from forecaster.decoding.typed import from_json
from forecaster.domain.alarms import STUDIED, Alarm, AlarmKind, AlarmState
from forecaster.domain.errors import SnapshotError
from forecaster.domain.forecast import Forecast
from forecaster.domain.times import HOUR_MS

VERSION = 1
REJOIN_MS = 30 * 60_000
"""A cause that recurs within this time after it cleared continues the same episode [ms]."""
REJOIN_LOW_MS = 6 * HOUR_MS
"""Low reserve can hover about its limit for hours: that is one episode [ms]."""
LONGEST_OFF_DELAY_S = 1800.0
REST_MS = 14 * 86_400_000


@dataclass(slots=True)
class Standing:
    """One kind at one site.

    told_ms : int | None — when people were last to be told of this episode
    told_end_ms : (early, middle, late) as last told to people; hub_end_ms the middle as last told to hubs
    reminders : int — given in this episode
    owed : bool — people have not been told yet, because the budget had no room
    rejoins : int — how often the episode has recurred; each time doubles the off-delay
    """

    gate: Gate = field(default_factory=Gate)
    alarm: Alarm | None = None
    variant: str = ""
    told_ms: int | None = None
    told_end_ms: tuple[int, int, int] | None = None
    hub_end_ms: int | None = None
    hub_ms: int = 0
    reminders: int = 0
    owed: bool = False
    rejoins: int = 0
    shelved_until_ms: int | None = None

    @property
    def open(self) -> bool:
        """Whether the alarm stands and is not shelved."""
        return self.gate.active and self.alarm is not None and self.shelved_until_ms is None

    @property
    def unacknowledged(self) -> bool:
        """Whether it waits for a person."""
        return self.open and self.alarm is not None and self.alarm.state is AlarmState.UNACKNOWLEDGED

    def may_remind(self, settled: Settlement | None, now_ms: int) -> bool:
        """Whether it is time to tell people again.

        settled : Settlement | None — outcomes of the messages so far; None: they count as heard when they were due
        The wait begins when a receiver accepted the last message, and grows with every reminder. Messages that failed
        are repeated without growing waits; those still on their way need no reminder.
        """
        if not self.unacknowledged or self.alarm is None or self.told_ms is None or self.alarm.kind in STUDIED:
            return False
        if settled is None:
            return reminder_due(self.alarm.priority, self.told_ms, self.reminders, now_ms)
        if settled.heard_ms is None:
            return settled.unheard and reminder_due(self.alarm.priority, self.told_ms, 0, now_ms)
        return reminder_due(self.alarm.priority, max(self.told_ms, settled.heard_ms), self.reminders, now_ms)

    def row(self, row: Rationale) -> Rationale:
        """The table's row with an off-delay that grows each time the same episode recurs."""
        if not self.rejoins:
            return row
        delay_s = max(row.off_delay_s, min(row.off_delay_s * 2**self.rejoins, LONGEST_OFF_DELAY_S))
        return replace(row, off_delay_s=delay_s)

    def rejoined(self, now_ms: int, outage_ms: int | None = None) -> bool:
        """Whether a raise now continues the last episode.

        outage_ms : int | None — when the present outage began: a reserve of an earlier outage is another alarm
        """
        alarm = self.alarm
        if alarm is None or alarm.cleared_ms is None:
            return False
        if alarm.kind is not AlarmKind.LOW_RESERVE:
            return now_ms - alarm.cleared_ms <= REJOIN_MS
        return outage_ms is not None and alarm.raised_ms >= outage_ms and now_ms - alarm.cleared_ms <= REJOIN_LOW_MS


@dataclass(slots=True)
class ManagerState:
    """The state of an alarm manager.

    run_ms, run_counter_wh — start of the newest run, and what the energy counter stood at when it was seen [Wh]
    unheard_ms — by channel that was never heard, since when it has been expected
    rest_percent, rest_ms — highest charge on mains of the last weeks [%], and when it was last seen
    """

    version: int = VERSION
    first_ms: int | None = None
    heard_ms: int = 0
    run_ms: int | None = None
    run_counter_wh: float | None = None
    rest_percent: float | None = None
    rest_ms: int = 0
    unheard_ms: dict[str, int] = field(default_factory=dict)
    budget: Budget = field(default_factory=Budget)
    standings: dict[AlarmKind, Standing] = field(default_factory=dict)

    @property
    def active(self) -> frozenset[AlarmKind]:
        """Kinds whose condition stands."""
        return frozenset(kind for kind, standing in self.standings.items() if standing.gate.active)

    @property
    def raised_ms(self) -> dict[AlarmKind, int]:
        """When each kind was last raised."""
        return {kind: one.alarm.raised_ms for kind, one in self.standings.items() if one.alarm is not None}

    def watch_rest(self, percent: float, now_ms: int) -> None:
        """Take a charge on mains. A charging limit that the owner has lowered is learnt in two weeks."""
        if self.rest_percent is None or percent >= self.rest_percent or now_ms - self.rest_ms > REST_MS:
            self.rest_percent, self.rest_ms = percent, now_ms

    def watch_unheard(self, names: Iterable[str], now_ms: int) -> None:
        """Take the channels that were never heard; those that are heard or gone are no longer expected."""
        self.unheard_ms = {name: self.unheard_ms.get(name, now_ms) for name in names}

    def forget(self, who: str) -> bool:
        """Remove a person's name from acknowledgements and shelvings. Returns whether it was found."""
        found = False
        for standing in self.standings.values():
            alarm = standing.alarm
            if alarm is not None and who in (alarm.acknowledged_by, alarm.shelved_by):
                standing.alarm, found = (
                    replace(
                        alarm,
                        acknowledged_by="" if alarm.acknowledged_by == who else alarm.acknowledged_by,
                        shelved_by="" if alarm.shelved_by == who else alarm.shelved_by,
                    ),
                    True,
                )
        return found

    def encode(self) -> bytes:
        """As bytes."""
        return msgspec.json.encode(self)

    @classmethod
    def decode(cls, snapshot: bytes) -> ManagerState:
        """From bytes; SnapshotError."""
        try:
            state = from_json(snapshot, ManagerState)
        except (msgspec.DecodeError, UnicodeDecodeError) as problem:
            raise SnapshotError(f"the alarms' state cannot be read: {problem}") from problem
        if state.version != VERSION:
            raise SnapshotError(f"the alarms' state is of version {state.version}, this program reads {VERSION}")
        return state


def ends(seen: AlarmEvidence) -> tuple[int, int, int] | None:
    """Early, middle and late end of the reserve [UTC milliseconds]; None where the middle is not known."""
    return ends_of(seen.forecast)


def ends_of(forecast: Forecast) -> tuple[int, int, int] | None:
    """The same from a forecast."""
    quantiles = forecast.hours_remaining
    if quantiles.p50 is None:
        return None
    early = quantiles.p50 if quantiles.p10 is None else quantiles.p10
    late = forecast.horizon_h if quantiles.p90 is None else quantiles.p90
    first, middle, last = (forecast.issued_at_ms + int(hours * HOUR_MS) for hours in (early, quantiles.p50, late))
    return first, middle, last
