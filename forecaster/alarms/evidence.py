"""Input and output of a rule: the evidence, and a verdict of four values. "Unknown" is a verdict of its own."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from enum import Enum

from forecaster.alarms.settlement import Settlement
from forecaster.alarms.table import Rationale, Side, row_for
from forecaster.domain.alarms import AlarmKind, Priority
from forecaster.domain.channels import ChannelFacts
from forecaster.domain.discharge import DischargeTest
from forecaster.domain.forecast import Basis, Forecast
from forecaster.domain.longrecord import PartTold
from forecaster.domain.quantities import Quantity
from forecaster.domain.runs import Supply
from forecaster.domain.site import AlarmLimits, Site
from forecaster.domain.status import SiteStatus
from forecaster.domain.times import MINUTE_MS


class Verdict(Enum):
    """What the evidence says of an alarm's condition."""

    ON = "on"  # beyond the limit
    OFF = "off"  # beyond the level that clears
    HOLD = "hold"  # between the two: an alarm stays as it is
    UNKNOWN = "unknown"  # no evidence: an alarm stays as it is, and time does not count


@dataclass(frozen=True, slots=True)
class Judgement:
    """A verdict and what it rests on.

    variant : str — which wording fits, "" for the usual one
    priority : Priority | None — in place of the table's
    since_ms : int | None — since when the condition holds, where the evidence shows it [UTC milliseconds]
    on_delay_s, off_delay_s : float | None — in place of the table's
    run : int | None — start of the pump run that shows it, for alarms that need several runs
    """

    verdict: Verdict
    variant: str = ""
    priority: Priority | None = None
    since_ms: int | None = None
    on_delay_s: float | None = None
    off_delay_s: float | None = None
    run: int | None = None


UNKNOWN = Judgement(Verdict.UNKNOWN)
OFF = Judgement(Verdict.OFF)
HOLD = Judgement(Verdict.HOLD)


@dataclass(frozen=True, slots=True)
class Failing:
    """A delivery channel that keeps failing, since when, and its last error."""

    channel: str
    since_ms: int
    error: str


@dataclass(frozen=True, slots=True)
class RefusedChannel:
    """A channel many of whose messages are refused, or that the broker refuses.

    name : str — its topic; reason : str — one line: what is wrong and how to mend it
    """

    name: str
    reason: str


def doubted_channels(channels: Iterable[ChannelFacts]) -> tuple[RefusedChannel, ...]:
    """Channels that do not work because of a doubt, each with its first reason."""
    return tuple(
        RefusedChannel(facts.topics[0] if facts.topics else facts.name, doubt.says)
        for facts in channels
        for doubt in [d for d in facts.doubts if d.kind.fails][:1]
    )


@dataclass(frozen=True, slots=True)
class Outside:
    """What the faces know that the engine cannot.

    failing : tuple[Failing, ...] — delivery channels that fail now
    trouble : str | None — why readings cannot be taken in or stored now (a write that failed), one line; never a remark
    broker : str | None — why there is no session with the broker, one line: silence has its own evidence
    refused : tuple[RefusedChannel, ...] — this site's channels that are refused
    rehearsal : DischargeTest | None — a discharge test whose plug was said to be pulled
    clock : str | None — why the clock of the machine that takes readings in is not believed
    channels : tuple[ChannelFacts, ...] — what became of this site's channels' messages, and what of them is in doubt
    parts : tuple[PartTold, ...] — what the newest study of the long record says of each part; empty where there is none
    settled : Mapping[str, Settlement] — by alarm, the outcomes of its messages to people; an alarm without an entry
        counts as heard
    """

    failing: tuple[Failing, ...] = ()
    trouble: str | None = None
    broker: str | None = None
    refused: tuple[RefusedChannel, ...] = ()
    rehearsal: DischargeTest | None = None
    clock: str | None = None
    channels: tuple[ChannelFacts, ...] = ()
    parts: tuple[PartTold, ...] = ()
    settled: Mapping[str, Settlement] = field(default_factory=dict)


def is_blind(status: SiteStatus, forecast: Forecast, outside: Outside) -> bool:
    """Whether nothing fresh is known: silent, or readings cannot be taken in."""
    return status.silent or outside.trouble is not None or forecast.basis is Basis.PROJECTED


@dataclass(frozen=True, slots=True)
class AlarmEvidence:
    """All the evidence of one step.

    first_ms : int — the manager's first step
    run_counter_wh : float | None — what the energy counter stood at when the newest run was seen [Wh]
    rest_percent : float | None — highest charge on mains of the last weeks [%]
    heard_ms : int — since when telemetry has come without interruption, as far as the manager has seen
    asked_ms : Mapping[str, int] — since when each channel never heard has been waited for
    open : frozenset[AlarmKind] — kinds whose condition stood after the step before
    raised_ms : Mapping[AlarmKind, int] — when each kind was last raised
    """

    site: Site
    limits: AlarmLimits
    status: SiteStatus
    forecast: Forecast
    outside: Outside
    now_ms: int
    first_ms: int
    heard_ms: int
    run_counter_wh: float | None = None
    rest_percent: float | None = None
    asked_ms: Mapping[str, int] = field(default_factory=dict)
    open: frozenset[AlarmKind] = frozenset()
    raised_ms: Mapping[AlarmKind, int] = field(default_factory=dict)

    def row(self, kind: AlarmKind) -> Rationale:
        """The table's row in force."""
        return row_for(kind, self.limits)

    @property
    def on_pack(self) -> bool:
        """Whether the pack carries the pump, as last known."""
        return self.status.supply is Supply.PACK

    @property
    def blind(self) -> bool:
        """Whether nothing fresh is known: silent, or readings cannot be taken in."""
        return is_blind(self.status, self.forecast, self.outside)

    @property
    def due_ms(self) -> int | None:
        """When the next run was due: the usual wait after the last one [UTC milliseconds]."""
        since, waits = self.status.waiting_since_ms, self.status.waits
        if since is None or waits is None or waits <= 0.0 or self.status.running_since_ms is not None:
            return None
        return since + int((self.now_ms - since) / waits)

    @property
    def wet_ms(self) -> int | None:
        """When the floor will be wet if the pump does not run again [UTC milliseconds]; None: not known."""
        due, minutes = self.due_ms, self.forecast.water.minutes_to_floor
        return None if due is None or minutes is None else due + int(minutes * MINUTE_MS)


def counter_wh(status: SiteStatus) -> float | None:
    """The value of the pump's energy counter [Wh]; None where there is none, or it is silent."""
    found = (age for age in status.ages if age.quantity is Quantity.PUMP_ENERGY and not age.silent)
    return next((age.value for age in found), None)


def compare(row: Rationale, value: float | None) -> Verdict:
    """Compare a measure with its limit and the level that clears it. A measure of None gives "unknown"."""
    if value is None or row.limit is None:
        return Verdict.UNKNOWN
    clear = row.clear_level
    if row.side is Side.BELOW:
        if value < row.limit:
            return Verdict.ON
        return Verdict.OFF if clear is None or value > clear else Verdict.HOLD
    if value > row.limit:
        return Verdict.ON
    return Verdict.OFF if clear is None or value < clear or clear == row.limit else Verdict.HOLD
