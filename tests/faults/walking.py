"""Walks a house's readings through engine and alarm desk, as the forecaster does, and keeps what the desk said."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from forecaster.alarms import AlarmDesk, Outside
from forecaster.domain.alarms import AlarmKind, AlarmTransition, TransitionKind
from forecaster.domain.forecast import Forecast
from forecaster.domain.readings import Reading
from forecaster.domain.runs import Supply
from forecaster.domain.site import AlarmLimits, Site
from forecaster.engine import Engine

QUIET = Outside()
MINUTE = 60_000
HOUR = 3_600_000
DAY = 24 * HOUR


@dataclass
class Walk:
    """What a desk said of a house.

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


def walk(
    site: Site,
    readings: Iterable[Reading],
    from_ms: int,
    until_ms: int,
    *,
    stride_s: float = 30.0,
    forecast_s: float = 600.0,
    mains_forecast_s: float = 600.0,
    limits: AlarmLimits | None = None,
    outside: Outside = QUIET,
) -> Walk:
    """Fold readings as they arrive; from from_ms on, step the desk every stride until until_ms, also when none come.

    A forecast is made anew when the supply changes and every forecast_s on the pack: it is what takes time.
    """
    engine, desk, found = Engine(site), AlarmDesk(site, limits), Walk(site)
    supply: Supply | None = None
    issued: Forecast | None = None
    now_ms = from_ms

    def step(at_ms: int) -> None:
        nonlocal supply, issued
        seen = engine.status(at_ms)
        every_s = forecast_s if seen.supply is Supply.PACK else mains_forecast_s
        if issued is None or seen.supply is not supply or at_ms - issued.issued_at_ms >= every_s * 1000.0:
            issued = engine.forecast(at_ms)
        supply = seen.supply
        found.said.extend(desk.step(seen, issued, at_ms, outside))

    for reading in readings:
        while now_ms < min(reading.arrived_ms, until_ms):
            step(now_ms)
            now_ms += int(stride_s * 1000)
        engine.update(reading)
    while now_ms < until_ms:
        step(now_ms)
        now_ms += int(stride_s * 1000)
    return found
