"""One site's place with the forecaster: its engine, its alarm manager, and when its next forecast is due."""

from __future__ import annotations

import logging
import zlib
from dataclasses import dataclass, replace
from typing import Any

import msgspec

from forecaster.alarms import AlarmManager, Outside
from forecaster.domain.alarms import AlarmTransition
from forecaster.domain.errors import FitError, OutlastError, SnapshotError, UsageError
from forecaster.domain.forecast import Basis, Forecast
from forecaster.domain.ports import Ledger
from forecaster.domain.quantities import STATES, Quantity
from forecaster.domain.readings import Reading
from forecaster.domain.records import Checkpoint, StoredForecast
from forecaster.domain.runs import Event, Supply, Transfer
from forecaster.domain.site import Site
from forecaster.domain.status import SiteStatus
from forecaster.engine import Engine
from forecaster.engine.document import document, from_document
from forecaster.engine.doubts import doubted

log = logging.getLogger("outlast.forecast")

REFRESH_MS = 30_000
HOLDOFF_MS = 20
"""For each site of a forecaster: how long a forecast stands at least, where only a run or the charge is new [ms]."""

REUSED_MS = 120_000
"""On mains, where nothing has come in that a forecast rests on, the newest is issued again for so long at most [ms]."""

PAST_MS, PAST_ON_MAINS_MS = 60_000, 600_000
"""How often a forecast is kept among the past ones, on the pack and on mains."""

GAP_S = 0.5
SOON_H = 6.0
"""On the pack with less than this left, a site goes before others [h]."""

NOTHING = Outside()
NEWSWORTHY = STATES | {Quantity.PACK_CHARGE}
RAIN = frozenset({Quantity.RAIN_DEPTH, Quantity.RAIN_RATE, Quantity.RAIN_EXPECTED})

SITE_FAULTS = (ArithmeticError, AttributeError, LookupError, OutlastError, TypeError, ValueError)
"""What a single site's engine may fail with without taking the others down."""


@dataclass(frozen=True, slots=True)
class Issued:
    """A forecast just made, and what the alarm manager made of it."""

    site: Site
    forecast: Forecast
    stored: StoredForecast
    transitions: list[AlarmTransition]


class SiteRunner:
    """A site with its engine and manager.

    fault : str | None — in words what keeps it from working, None while it works
    holdoff_ms : int — how long a forecast stands where only a run or the charge is new [ms]; the more sites the longer
    changed : bool — whether the engine has changed since it was kept
    kept_manager : bytes | None — the manager as it was kept
    """

    def __init__(self, site: Site, engine: Engine, manager: AlarmManager) -> None:
        self.site, self.engine, self.manager = site, engine, manager
        self.fault: str | None = None
        self.newest: Forecast | None = None
        self._issued_ms: int | None = None
        self._issued_s = 0.0
        self._due_soon = False
        self._due_now = False
        self._news = False
        self._whole_ms: int | None = None
        self._rests_on: tuple[object, ...] | None = None
        self._past_ms: int | None = None
        self.holdoff_ms = 0
        self.changed = True
        self.kept_manager: bytes | None = None
        self._values: dict[tuple[Quantity, str], float] = {}

    @classmethod
    def restored(cls, site: Site, ledger: Ledger, seed: int) -> tuple[SiteRunner, str | None]:
        """A runner from its checkpoints and the cursor it had reached; a fresh one where there are none."""
        kept = ledger.checkpoint("engine", site.id)
        engine, cursor = Engine(site, seed=seed), None
        if kept is not None:
            try:
                engine, cursor = Engine.restore(site, unpacked(kept.state), seed=seed), kept.cursor
                if engine.begun_anew:
                    log.warning(
                        "site %s: changed in its file, so learnt anew: %s", site.id, ", ".join(engine.begun_anew)
                    )
            except SnapshotError as error:
                log.warning("site %s: learning anew from the stored readings: %s", site.id, error)
        return cls(site, engine, restored_manager(site, ledger)), cursor

    # -- readings in
    def take(self, reading: Reading) -> None:
        """Fold a reading; a changed state makes a forecast due at once, a changed charge before long."""
        self.engine.update(reading)
        self.changed = True
        if reading.quantity in NEWSWORTHY:
            key = (reading.quantity, reading.subject)
            if self._values.get(key) != reading.value:
                self._values[key] = reading.value
                self._due_soon = self._news = True
                self._due_now = self._due_now or reading.quantity in STATES
        elif reading.quantity in RAIN and reading.value > 0.0:
            self._news = True

    def drain(self) -> list[Event]:
        """What the engine found since the last call; a transfer makes a forecast due at once, a run before long."""
        events = self.engine.events()
        if events:
            self._due_soon = self._news = self.changed = True
            self._due_now = self._due_now or any(isinstance(event, Transfer) for event in events)
        return events

    # -- forecasts out
    def due(self, now_ms: int, now_s: float) -> bool:
        """Whether a forecast is due. A clock that stepped back makes one due as well."""
        if self._issued_ms is None:
            return True
        if now_s - self._issued_s < GAP_S:
            return False
        age_ms = abs(now_ms - self._issued_ms)
        if self._due_now or (self._due_soon and age_ms >= self.holdoff_ms):
            return True
        return age_ms >= (REFRESH_MS if self._on_pack else REFRESH_MS + self.holdoff_ms // 2)

    @property
    def _on_pack(self) -> bool:
        return self.newest is not None and self.newest.supply is Supply.PACK

    def urgency(self, now_ms: int) -> float:
        """How pressing a forecast is: its age, with a head start on the pack and where something happened."""
        if self._issued_ms is None:
            return float("inf")
        start_ms = REFRESH_MS if self._due_now else 0
        if self._on_pack and self.newest is not None:
            out_h = self.newest.hours_remaining.p10
            start_ms += REFRESH_MS // 2 if out_h is None or out_h > SOON_H else REFRESH_MS
        return abs(now_ms - self._issued_ms) + start_ms

    def postpone(self, now_ms: int, now_s: float) -> None:
        """Leave this site for a while, as though it had just been told."""
        self._issued_ms, self._issued_s, self._due_soon, self._due_now = now_ms, now_s, False, False

    def tell(self, now_ms: int, now_s: float, outside: Outside = NOTHING) -> Issued:
        """A forecast of now, and the manager's transitions on it."""
        status = self.engine.status(now_ms)
        forecast = self._reusable(status, now_ms)
        if forecast is None:
            forecast = self.engine.forecast(now_ms)
            self._whole_ms, self._news, self._rests_on = now_ms, False, rests_on(status)
        forecast = doubted(forecast, outside.channels)
        if outside.clock is not None:
            status = replace(status, clock_suspect=outside.clock)
        transitions = self.manager.step(status, forecast, now_ms, outside)
        text = msgspec.json.encode(document(forecast)).decode()
        past = self._goes_to_past(forecast) or bool(transitions)
        self.postpone(now_ms, now_s)
        self.newest = forecast
        self.fault = None
        stored = StoredForecast(self.site.id, forecast.issued_at_ms, text, past)
        return Issued(self.site, forecast, stored, transitions)

    @property
    def reused(self) -> bool:
        """Whether the newest forecast is an earlier one, issued again as seen from now."""
        return self.newest is not None and self.newest.issued_at_ms != self._whole_ms

    def _reusable(self, status: SiteStatus, now_ms: int) -> Forecast | None:
        """The newest forecast seen from now; None where a new one has to be made."""
        last = self.newest
        if last is None or self._whole_ms is None or self._news or not 0 <= now_ms - self._whole_ms <= REUSED_MS:
            return None
        if status.silent or not status.steady or last.basis is Basis.PROJECTED or last.supply is not Supply.MAINS:
            return None
        if rests_on(status) != self._rests_on:
            return None
        return last.reissued(now_ms, status.data_age_s)

    def _goes_to_past(self, forecast: Forecast) -> bool:
        """Whether a forecast is kept among the past ones: now and then, and wherever supply or basis changed."""
        at_ms, before = forecast.issued_at_ms, self.newest
        every_ms = PAST_MS if forecast.supply is Supply.PACK else PAST_ON_MAINS_MS
        same = before is not None and (before.supply, before.basis) == (forecast.supply, forecast.basis)
        if same and self._past_ms is not None and abs(at_ms - self._past_ms) < every_ms:
            return False
        self._past_ms = at_ms
        return True

    def refit_if_due(self, now_ms: int) -> bool:
        """Tune the models when it is time; heavy. Where it fails the models go on as they are, and say degraded."""
        if self.engine.untuned(now_ms) < 1.0:
            return False
        self.changed = self._news = True
        try:
            self.engine.refit(now_ms)
        except FitError as error:
            log.info("site %s: not refitted: %s", self.site.id, error)
        return True

    # -- people
    def obey(self, kind: str, target: str, body: dict[str, Any], at_ms: int) -> list[AlarmTransition]:
        """Do what a person asked; UsageError for a kind that is not known."""
        self._due_soon = self._due_now = True
        if kind == "acknowledge":
            return self.manager.acknowledge(target, str(body.get("by", "")), at_ms)
        if kind == "shelve":
            return self.manager.shelve(target, int(body["until_ms"]), str(body.get("by", "")), at_ms)
        if kind == "unshelve":
            return self.manager.unshelve(target, at_ms)
        raise UsageError(f"a request of kind {kind!r} is not known", "upgrade the forecaster")

    # -- checkpoints
    def engine_checkpoint(self, cursor: str | None, now_ms: int) -> Checkpoint:
        """The engine's state, and the cursor up to which it has folded."""
        return Checkpoint(self.site.id, cursor, now_ms, packed(self.engine.snapshot()))

    def alarm_checkpoint(self, now_ms: int) -> Checkpoint:
        """The manager's state."""
        return Checkpoint(self.site.id, None, now_ms, packed(self.manager.snapshot()))


def restored_manager(site: Site, ledger: Ledger) -> AlarmManager:
    """The manager as it was kept; where that cannot be read, over the alarms that stand in the ledger."""
    kept = ledger.checkpoint("alarms", site.id)
    if kept is None:
        return AlarmManager(site)
    try:
        return AlarmManager.restore(site, unpacked(kept.state))
    except SnapshotError as error:
        log.warning("site %s: its alarms are taken up from the ledger: %s", site.id, error)
    stored = ledger.newest([site.id]).get(site.id)
    newest = None if stored is None else from_document(msgspec.json.decode(stored.document))
    return AlarmManager.taken_up(site, ledger.alarms(site.id), newest)


def packed(state: bytes) -> bytes:
    """A state as zlib, quickly: about a third."""
    return zlib.compress(state, 1)


def unpacked(state: bytes) -> bytes:
    """A state as it was packed, or as older releases kept it, plain; SnapshotError where it is damaged."""
    if state.startswith(b"{"):
        return state
    try:
        return zlib.decompress(state)
    except zlib.error as error:
        raise SnapshotError(f"a kept state cannot be unpacked ({error})") from error


def rests_on(status: SiteStatus) -> tuple[object, ...]:
    """What of a status a forecast on mains turns on: supply, charge and runs, settled or not."""
    run = status.last_run
    ran = None if run is None else (run.start_ms, run.run_s, run.energy_wh)
    return status.supply, status.charge_percent, status.running_since_ms, status.spans_heard, status.steady, ran
