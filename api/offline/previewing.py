"""What the alarm rules would have done on a recorded log, and what changed limits would have changed."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace

from collector.decode.log import LoggedMessage
from collector.decode.payload import Decoder
from forecaster.alarms import TABLE, AlarmManager, Outside
from forecaster.alarms.manager import NOTHING
from forecaster.domain.alarms import AlarmKind, AlarmTransition
from forecaster.domain.errors import UsageError
from forecaster.domain.forecast import Forecast
from forecaster.domain.readings import Reading
from forecaster.domain.runs import Supply
from forecaster.domain.site import AlarmLimits, Site
from forecaster.engine import Engine
from forecaster.texts.catalogue import Said

STRIDE_MS = 60_000
PACK_FORECAST_MS, MAINS_FORECAST_MS = 5 * 60_000, 30 * 60_000
"""How often a forecast is made on a log; it takes most of the time."""


def parse_limits(texts: Sequence[str], limits: AlarmLimits) -> AlarmLimits:
    """The site's limits with `kind=value` changes; "off" switches a kind off. UsageError."""
    changed = limits
    for text in texts:
        name, _, value = text.partition("=")
        kinds = {kind.value: kind for kind in AlarmKind}
        if name not in kinds:
            raise UsageError(
                Said("usage.is_no_kind_of_alarm", name=name), Said("usage.name_one_of", names=", ".join(kinds))
            )
        kind = kinds[name]
        if value == "off":
            changed = replace(changed, off=changed.off | {kind})
            continue
        changed = _with_limit(changed, kind, _number(text, value))
    return changed


def _number(text: str, value: str) -> float:
    try:
        number = float(value)
    except ValueError as error:
        raise UsageError(Said("usage.gives_no_number", text=text), Said("usage.write_it_as_low_reserve_4")) from error
    if not 0.0 <= number < 1e6:
        raise UsageError(Said("usage.is_out_of_range", text=text), Said("usage.give_a_limit_from_0_up"))
    return number


def _with_limit(limits: AlarmLimits, kind: AlarmKind, number: float) -> AlarmLimits:
    if TABLE[kind].limit is None:
        raise UsageError(
            Said("usage.has_no_limit", kind=kind.value), Said("usage.switch_it_off_with_off_or", kind=kind.value)
        )
    if kind is AlarmKind.LOW_RESERVE:
        return replace(limits, low_reserve_h=number)
    if kind is AlarmKind.CRITICAL_RESERVE:
        return replace(limits, critical_reserve_h=number)
    return replace(limits, others={**limits.others, kind: number})


@dataclass(slots=True)
class LimitsTrial:
    """An engine and a manager for each set of limits, stepped together: the forecast is the same for all.

    said : list[list[AlarmTransition]] — the transitions of each set of limits
    """

    site: Site
    limits: Sequence[AlarmLimits]
    engine: Engine = field(init=False)
    said: list[list[AlarmTransition]] = field(init=False)
    _managers: list[AlarmManager] = field(init=False)
    _issued: Forecast | None = field(default=None, init=False)

    def __post_init__(self) -> None:
        self.engine = Engine(self.site)
        self._managers = [AlarmManager(self.site, limits) for limits in self.limits]
        self.said = [[] for _ in self._managers]

    @property
    def restless(self) -> bool:
        """Whether something is about to be told: on the pack, or while the delay of some alarm is running."""
        on_pack = self._issued is not None and self._issued.supply is Supply.PACK
        return on_pack or any(manager.restless for manager in self._managers)

    def step(self, now_ms: int, outside: Outside = NOTHING) -> None:
        """Look at one moment, with a forecast of now where the newest has grown old."""
        status = self.engine.status(now_ms)
        every_ms = PACK_FORECAST_MS if status.supply is Supply.PACK else MAINS_FORECAST_MS
        issued = self._issued
        if issued is None or issued.supply is not status.supply or now_ms - issued.issued_at_ms >= every_ms:
            issued = self._issued = self.engine.forecast(now_ms)
        for manager, said in zip(self._managers, self.said, strict=True):
            said.extend(manager.step(status, issued, now_ms, outside))


@dataclass(slots=True)
class LimitsPreview:
    """One pass of a log through the engine and a manager for each set of limits.

    said : the transitions of each set of limits
    """

    site: Site
    limits: Sequence[AlarmLimits]
    messages: int = 0
    readings: int = 0
    start_ms: int | None = None
    end_ms: int | None = None
    said: list[list[AlarmTransition]] = field(default_factory=list)

    def run(self, log: Iterable[LoggedMessage]) -> None:
        """Read the whole log."""
        trial = LimitsTrial(self.site, self.limits)
        self.said = trial.said
        decoder = Decoder((self.site,))
        now_ms = 0
        for message in log:
            self.messages += 1
            if self.start_ms is None:
                self.start_ms = now_ms = message.tst_ms
            self.end_ms = max(self.end_ms or message.tst_ms, message.tst_ms)
            while now_ms + STRIDE_MS <= message.tst_ms:
                now_ms += STRIDE_MS
                trial.step(now_ms)
            for reading in self._decoded(decoder, message):
                self.readings += 1
                trial.engine.update(reading)
        if self.end_ms is not None:
            trial.step(max(self.end_ms, now_ms))

    def _decoded(self, decoder: Decoder, message: LoggedMessage) -> tuple[Reading, ...]:
        found = decoder.decode(message.topic, message.payload, message.tst_ms, message.retained)
        return tuple(reading for reading in found.readings if reading.site == self.site.id)


@dataclass(frozen=True, slots=True)
class Difference:
    """An alarm that only one of two sets of limits raised, or that they raised at different times."""

    kind: AlarmKind
    before: AlarmTransition | None
    after: AlarmTransition | None

    @property
    def later_s(self) -> float | None:
        """How much later the changed limits raised it [s]; None where only one set did."""
        if self.before is None or self.after is None:
            return None
        return (self.after.at_ms - self.before.at_ms) / 1000.0


def differences(before: Sequence[AlarmTransition], after: Sequence[AlarmTransition]) -> list[Difference]:
    """What changed limits change: raises paired by kind in order."""
    found = []
    for kind in AlarmKind:
        first, second = (
            [t for t in said if t.alarm.kind is kind and t.kind.value == "raised"] for said in (before, after)
        )
        for index in range(max(len(first), len(second))):
            one = first[index] if index < len(first) else None
            other = second[index] if index < len(second) else None
            if one is None or other is None or one.at_ms != other.at_ms:
                found.append(Difference(kind, one, other))
    return found
