"""Walks a house's readings through engine and alarms, as the forecaster does, and keeps what they said."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from forecaster.alarms import AlarmManager, Outside
from forecaster.domain.alarms import AlarmKind, AlarmTransition, TransitionKind
from forecaster.domain.errors import FitError
from forecaster.domain.forecast import Forecast
from forecaster.domain.quantities import STATES, Quantity
from forecaster.domain.readings import Reading
from forecaster.domain.runs import Event, Run, Supply
from forecaster.domain.site import AlarmLimits, Site
from forecaster.engine import Engine
from tests.faults.looks import ALWAYS, Looks

QUIET = Outside()
SECOND = 1_000
MINUTE = 60_000
HOUR = 3_600_000
DAY = 24 * HOUR
NEWSWORTHY = STATES | {Quantity.PACK_CHARGE}
PEEK_MS = 20 * SECOND
ODD_POWER = 0.08


@dataclass
class Walk:
    """What a manager said of a house.

    said : every transition, in order
    """

    site: Site
    said: list[AlarmTransition] = field(default_factory=list)

    def raised(self, kind: AlarmKind | None = None) -> list[AlarmTransition]:
        return [t for t in self.said if t.kind is TransitionKind.RAISED and kind in (None, t.alarm.kind)]

    def kinds(self, from_ms: int = 0) -> list[AlarmKind]:
        return [t.alarm.kind for t in self.raised() if t.at_ms >= from_ms]

    def first_ms(self, kind: AlarmKind) -> int | None:
        found = self.raised(kind)
        return found[0].at_ms if found else None

    def told(self) -> list[AlarmTransition]:
        return [t for t in self.said if t.tell]

    def most_told(self, window_ms: int = DAY) -> int:
        """The most messages within any window."""
        times = [t.at_ms for t in self.told()]
        return max((sum(1 for other in times if at <= other < at + window_ms) for at in times), default=0)


@dataclass(frozen=True)
class Cadence:
    """How often the manager is stepped and a forecast made anew [s].

    close_s : where `looks` tell to look closely; pack_s : on the pack, and while a delay runs; rest_s : else
    pack_forecast_s, forecast_s : how old a forecast may be, on the pack and on mains
    at_once : whether a changed state or charge, or an event, is followed by a step at once, as the worker does
    refit_s : between two tunings of the models on the site's history
    """

    close_s: float = 30.0
    pack_s: float = 30.0
    rest_s: float = 30.0
    pack_forecast_s: float = 30.0
    forecast_s: float = 30.0
    at_once: bool = True
    refit_s: float = 3600.0


AS_LIVE = Cadence()
"""The forecast worker's own cadence for a site that has the machine to itself."""

OUTAGE = Cadence(20.0, 120.0, 120.0, pack_forecast_s=600.0, forecast_s=1800.0, at_once=False, refit_s=86_400.0)
"""Forecasts move by little in ten minutes, and every dwell but the first is of two minutes or more."""

RESTING = Cadence(60.0, 60.0, 1200.0, pack_forecast_s=300.0, forecast_s=14_400.0, at_once=False, refit_s=86_400.0)
"""For quiet months: a close look where one can matter, and every twenty minutes beside."""


class Walker:
    """An engine and a manager, and when the next step is due."""

    def __init__(
        self, site: Site, cadence: Cadence, looks: Looks, limits: AlarmLimits | None, outside: Outside
    ) -> None:
        self.engine, self.manager, self.found = Engine(site), AlarmManager(site, limits), Walk(site)
        self.cadence, self.looks, self.outside = cadence, looks, outside
        self.issued: Forecast | None = None
        self.supply: Supply | None = None
        self.values: dict[tuple[Quantity, str], float] = {}
        self.powers: list[float] = []
        self.at_once = False
        self.peeked_ms = self.refitted_ms = 0

    def step(self, at_ms: int) -> int:
        """Step the manager; when the next step is due."""
        seen = self.engine.status(at_ms)
        on_pack = seen.supply is Supply.PACK
        lasts_s = self.cadence.pack_forecast_s if on_pack else self.cadence.forecast_s
        issued = self.issued
        if issued is None or seen.supply is not self.supply or at_ms - issued.issued_at_ms >= lasts_s * SECOND:
            issued = self.issued = self.engine.forecast(at_ms)
        self.supply, self.at_once = seen.supply, False
        self.found.said.extend(self.manager.step(seen, issued, at_ms, self.outside))
        rest_s = self.cadence.pack_s if on_pack or self.manager.restless else self.cadence.rest_s
        later = at_ms + int((self.cadence.close_s if self.looks.within(at_ms) else rest_s) * SECOND)
        return min(later, self.looks.next_ms(at_ms))

    def take(self, reading: Reading) -> None:
        """Fold a reading, and see whether it calls for a step at once."""
        self.engine.update(reading)
        now = reading.arrived_ms
        if self.cadence.at_once and reading.quantity in NEWSWORTHY:
            key = (reading.quantity, reading.subject)
            self.at_once |= self.values.get(key) != reading.value
            self.values[key] = reading.value
        if self.cadence.at_once or now - self.peeked_ms >= PEEK_MS:
            self.peeked_ms = now
            for event in self.engine.events():
                self.at_once |= self.cadence.at_once or self._odd(event)
        if now - self.refitted_ms >= self.cadence.refit_s * SECOND:
            if self.refitted_ms:
                self._refit(now)
            self.refitted_ms = now

    def _refit(self, now_ms: int) -> None:
        try:
            self.engine.refit(now_ms)
        except FitError:
            return  # the models go on as they are, as with the worker

    def _odd(self, event: Event) -> bool:
        """Whether an event calls for a step: all but a run of usual power."""
        if not isinstance(event, Run) or event.clipped or self.manager.restless:
            return True
        if event.power_w is None:
            return False
        usual = sorted(self.powers[-50:] or [event.power_w])
        middle = usual[len(usual) // 2]
        self.powers.append(event.power_w)
        return abs(event.power_w - middle) > ODD_POWER * middle


def walk(
    site: Site,
    readings: Iterable[Reading],
    from_ms: int,
    until_ms: int,
    *,
    cadence: Cadence = OUTAGE,
    looks: Looks = ALWAYS,
    limits: AlarmLimits | None = None,
    outside: Outside = QUIET,
) -> Walk:
    """Fold readings as they arrive; from from_ms on, step the alarms in their cadence until until_ms, also when none
    come."""
    walker = Walker(site, cadence, looks, limits, outside)
    next_ms, last_ms = from_ms, 0
    for reading in readings:
        while next_ms < min(reading.arrived_ms, until_ms):
            last_ms, next_ms = next_ms, walker.step(next_ms)
        if reading.arrived_ms >= until_ms:
            break
        walker.take(reading)
        now_ms = reading.arrived_ms
        if walker.at_once and now_ms >= from_ms and now_ms - last_ms >= SECOND // 2:
            last_ms, next_ms = now_ms, walker.step(now_ms)
    while next_ms < until_ms:
        next_ms = walker.step(next_ms)
    return walker.found
