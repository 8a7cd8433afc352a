"""One site's place with the forecaster: its engine, its alarm desk, and when its next forecast is due."""

from __future__ import annotations

import logging
from dataclasses import dataclass, replace
from typing import Any

import msgspec

from forecaster.alarms import AlarmDesk, Outside
from forecaster.document import document
from forecaster.domain.alarms import AlarmTransition
from forecaster.domain.errors import FitError, OutlastError, SnapshotError, UsageError
from forecaster.domain.forecast import Forecast
from forecaster.domain.ports import Checkpoint, Ledger, StoredForecast
from forecaster.domain.quantities import STATES, Quantity
from forecaster.domain.readings import Reading
from forecaster.domain.runs import Event
from forecaster.domain.site import Site
from forecaster.engine import Engine

log = logging.getLogger("outlast.forecast")

REFRESH_MS = 30_000
REFIT_MS = 3_600_000
"""How often the models are tuned on the site's own history; live and replay alike."""

GAP_S = 0.5
NOTHING = Outside()
STIRRING = STATES | {Quantity.PACK_CHARGE}

SITE_FAULTS = (ArithmeticError, AttributeError, LookupError, OutlastError, TypeError, ValueError)
"""What a single site's engine may fail with without taking the others down."""


@dataclass(frozen=True, slots=True)
class Told:
    """A forecast just made, and what the alarm desk made of it."""

    site: Site
    forecast: Forecast
    stored: StoredForecast
    transitions: list[AlarmTransition]


class Seat:
    """A site with its engine and desk. `fault` says in words what keeps it from working, None while it works."""

    def __init__(self, site: Site, engine: Engine, desk: AlarmDesk) -> None:
        self.site, self.engine, self.desk = site, engine, desk
        self.fault: str | None = None
        self.newest: Forecast | None = None
        self._issued_ms: int | None = None
        self._issued_s = 0.0
        self._stirred = False
        self._values: dict[tuple[Quantity, str], float] = {}
        self._refitted_ms: int | None = None

    @classmethod
    def restored(cls, site: Site, ledger: Ledger, seed: int) -> tuple[Seat, str | None]:
        """A seat from its checkpoints and the cursor it had reached; a fresh one where there are none."""
        kept = ledger.checkpoint("engine", site.id)
        engine, cursor = Engine(site, seed=seed), None
        if kept is not None:
            try:
                engine, cursor = Engine.restore(site, kept.state, seed=seed), kept.cursor
            except SnapshotError as error:
                log.warning("site %s: learning anew from the stored readings: %s", site.id, error)
        desk = AlarmDesk(site)
        kept = ledger.checkpoint("alarms", site.id)
        if kept is not None:
            try:
                desk = AlarmDesk.restore(site, kept.state)
            except SnapshotError as error:
                log.warning("site %s: alarm states start anew: %s", site.id, error)
        return cls(site, engine, desk), cursor

    # -- readings in
    def take(self, reading: Reading) -> None:
        """Fold a reading; a changed state or charge makes a forecast due."""
        self.engine.update(reading)
        if reading.quantity in STIRRING:
            key = (reading.quantity, reading.subject)
            if self._values.get(key) != reading.value:
                self._values[key] = reading.value
                self._stirred = True

    def drain(self) -> list[Event]:
        """What the engine found since the last call; a found run or transfer makes a forecast due."""
        events = self.engine.events()
        if events:
            self._stirred = True
        return events

    # -- forecasts out
    def due(self, now_ms: int, now_s: float) -> bool:
        """Whether a forecast is due. A clock that stepped back makes one due as well."""
        if self._issued_ms is None:
            return True
        if now_s - self._issued_s < GAP_S:
            return False
        return self._stirred or abs(now_ms - self._issued_ms) >= REFRESH_MS

    def urgency(self, now_ms: int) -> float:
        """How pressing a forecast is: its age, and a head start where something happened."""
        if self._issued_ms is None:
            return float("inf")
        return abs(now_ms - self._issued_ms) + (REFRESH_MS if self._stirred else 0)

    def postpone(self, now_ms: int, now_s: float) -> None:
        """Leave this site for a while, as though it had just been told."""
        self._issued_ms, self._issued_s, self._stirred = now_ms, now_s, False

    def tell(self, now_ms: int, now_s: float, outside: Outside = NOTHING) -> Told:
        """A forecast of now, and the desk's transitions on it."""
        forecast = self.engine.forecast(now_ms)
        status = self.engine.status(now_ms)
        if outside.clock is not None:
            status = replace(status, clock_suspect=outside.clock)
        transitions = self.desk.step(status, forecast, now_ms, outside)
        text = msgspec.json.encode(document(forecast)).decode()
        self.postpone(now_ms, now_s)
        self.newest = forecast
        self.fault = None
        return Told(self.site, forecast, StoredForecast(self.site.id, forecast.issued_at_ms, text), transitions)

    def refit_if_due(self, now_ms: int) -> bool:
        """Tune the models once an hour; heavy. Where it fails the models go on as they are, and say degraded."""
        if self._refitted_ms is None:
            self._refitted_ms = now_ms
        if now_ms - self._refitted_ms < REFIT_MS:
            return False
        self._refitted_ms = now_ms
        try:
            self.engine.refit(now_ms)
        except FitError as error:
            log.info("site %s: not refitted: %s", self.site.id, error)
        return True

    # -- people
    def obey(self, kind: str, target: str, body: dict[str, Any], at_ms: int) -> list[AlarmTransition]:
        """Do what a person asked; UsageError for a kind that is not known."""
        self._stirred = True
        if kind == "acknowledge":
            return self.desk.acknowledge(target, str(body.get("by", "")), at_ms)
        if kind == "shelve":
            return self.desk.shelve(target, int(body["until_ms"]), str(body.get("by", "")), at_ms)
        raise UsageError(f"a request of kind {kind!r} is not known", "upgrade the forecaster")

    # -- checkpoints
    def engine_checkpoint(self, cursor: str | None, now_ms: int) -> Checkpoint:
        """The engine's state, and the cursor up to which it has folded."""
        return Checkpoint(self.site.id, cursor, now_ms, self.engine.snapshot())

    def desk_checkpoint(self, now_ms: int) -> Checkpoint:
        """The desk's state."""
        return Checkpoint(self.site.id, None, now_ms, self.desk.snapshot())
