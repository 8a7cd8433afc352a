"""One site in the forecaster: its engine, its alarm manager, and when its next forecast is due."""

from __future__ import annotations

import logging
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
from forecaster.engine.packing import packed, unpacked
from forecaster.live.high_water import HighWaterSpell
from forecaster.live.shedding import REUSED_MS
from forecaster.texts.catalogue import Said
from forecaster.water.seasonal import SeasonStudy

log = logging.getLogger("outlast.forecast")

REFRESH_MS = 30_000
HOLDOFF_MS = 20
"""For each site of a forecaster: least age of a forecast where only a run or the charge is new [ms]."""

PAST_MS, PAST_ON_MAINS_MS = 60_000, 600_000
"""How often a forecast is kept among the past ones, on the pack and on mains."""

GAP_S = 0.5
SOON_H = 6.0
"""A site on the pack with less time left than this takes precedence [h]."""

KEPT = ("engine", "alarms")
"""What of a site is kept in checkpoints of its own."""

NOTHING = Outside()
NEWSWORTHY = STATES | {Quantity.PACK_CHARGE}
RAIN = frozenset({Quantity.RAIN_DEPTH, Quantity.RAIN_RATE, Quantity.RAIN_EXPECTED})

SITE_FAULTS = (ArithmeticError, AttributeError, LookupError, OutlastError, TypeError, ValueError)
"""Errors of a single site's engine that must not affect other sites."""


@dataclass(frozen=True, slots=True)
class Issued:
    """A forecast just made, and the alarm transitions that it caused."""

    site: Site
    forecast: Forecast
    stored: StoredForecast
    transitions: list[AlarmTransition]


class SiteRunner:
    """A site with its engine and manager.

    fault : str | None — what keeps it from working, in words; None while it works
    holdoff_ms : int — least age of a forecast where only a run or the charge is new [ms]; greater with more sites
    changed : bool — whether the engine has changed since its last checkpoint
    kept_manager : bytes | None — the manager's state in its last checkpoint
    season_ms : int | None — when the study of the season was made that was looked at last, whether or not it told one
    before : Forecast | None — the newest that another forecaster issued before this one took the site over
    """

    def __init__(self, site: Site, engine: Engine, manager: AlarmManager) -> None:
        self.site, self.engine, self.manager = site, engine, manager
        self.fault: str | None = None
        self.newest: Forecast | None = None
        self.before: Forecast | None = None
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
        self.season_ms: int | None = None
        self._values: dict[tuple[Quantity, str], float] = {}
        self._high_water = HighWaterSpell()

    @classmethod
    def restored(cls, site: Site, ledger: Ledger, seed: int) -> tuple[SiteRunner, str | None]:
        """A runner from its checkpoints and the cursor that it had reached; a new one where there are none."""
        return cls.taken_up(site, ledger, seed, *(ledger.checkpoint(kind, site.id) for kind in KEPT))

    @classmethod
    def taken_up(
        cls, site: Site, ledger: Ledger, seed: int, kept: Checkpoint | None, alarms: Checkpoint | None
    ) -> tuple[SiteRunner, str | None]:
        """`restored`, of checkpoints that were read already."""
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
        return cls(site, engine, manager_of(site, ledger, alarms)), cursor

    # -- readings in
    def take(self, reading: Reading) -> None:
        """Fold a reading; a changed state makes a forecast due at once, a changed charge before long."""
        self.engine.update(reading)
        self.changed = True
        if reading.quantity is Quantity.HIGH_WATER:
            self._high_water.take(reading, self.manager.stepped_ms)
        if reading.quantity in NEWSWORTHY:
            key = (reading.quantity, reading.subject)
            if self._values.get(key) != reading.value:
                self._values[key] = reading.value
                self._due_soon = self._news = True
                self._due_now = self._due_now or reading.quantity in STATES
        elif reading.quantity in RAIN and reading.value > 0.0:
            self._news = True

    def expect_season(self, study: SeasonStudy) -> None:
        """Take in a newer study of the season; the next forecast rests on it."""
        if self.engine.expect_season(study):
            self._news = self.changed = True

    def drain(self) -> list[Event]:
        """The engine's events since the last call; a transfer makes a forecast due at once, a run before long."""
        events = self.engine.events()
        if events:
            self._due_soon = self._news = self.changed = True
            self._due_now = self._due_now or any(isinstance(event, Transfer) for event in events)
        return events

    # -- forecasts out
    def due(self, now_ms: int, now_s: float, shed_ms: int = 0) -> bool:
        """Whether a forecast is due. It is also due where the clock was set back.

        shed_ms : int — what load adds to the interval on mains [ms]
        """
        if self._issued_ms is None:
            return True
        if now_s - self._issued_s < GAP_S:
            return False
        age_ms = abs(now_ms - self._issued_ms)
        if self._due_now or (self._due_soon and age_ms >= self.holdoff_ms + (0 if self._on_pack else shed_ms)):
            return True
        return age_ms >= self._interval_ms(shed_ms)

    def _interval_ms(self, shed_ms: int) -> int:
        """How old a forecast gets where nothing new comes."""
        return REFRESH_MS if self._on_pack else REFRESH_MS + self.holdoff_ms // 2 + shed_ms

    def late_ms(self, now_ms: int, shed_ms: int) -> int:
        """By how much a forecast is older than it is to get [ms]; 0 of a site that had none yet."""
        if self._issued_ms is None:
            return 0
        return max(0, abs(now_ms - self._issued_ms) - self._interval_ms(shed_ms))

    @property
    def _on_pack(self) -> bool:
        return self.newest is not None and self.newest.supply is Supply.PACK

    def urgency(self, now_ms: int, shed_ms: int = 0) -> float:
        """How urgent a forecast is: its age [ms], with a bonus on the pack and where something happened.

        Of a site that was taken over it is the age of the last one before; a site that had none at all is first.
        shed_ms : int — what load adds to the interval on mains [ms]; the pack stays before it
        """
        last = self.before if self.newest is None else self.newest
        issued_ms = last.issued_at_ms if self._issued_ms is None and last is not None else self._issued_ms
        if issued_ms is None:
            return float("inf")
        start_ms = REFRESH_MS if self._due_now else 0
        if last is not None and last.supply is Supply.PACK:
            out_h = last.hours_remaining.p10
            start_ms += shed_ms + (REFRESH_MS // 2 if out_h is None or out_h > SOON_H else REFRESH_MS)
        return abs(now_ms - issued_ms) + start_ms

    def postpone(self, now_ms: int, now_s: float) -> None:
        """Leave this site for a while, as if its forecast had just been made."""
        self._issued_ms, self._issued_s, self._due_soon, self._due_now = now_ms, now_s, False, False

    def tell(self, now_ms: int, now_s: float, outside: Outside = NOTHING, reused_ms: int = REUSED_MS) -> Issued:
        """Make a forecast of now, and step the alarm manager on it.

        reused_ms : int — for how long one on mains may be issued again [ms]
        """
        status = self.engine.status(now_ms)
        forecast = self._reusable(status, now_ms, reused_ms)
        if forecast is None:
            forecast = self.engine.forecast(now_ms)
            self._whole_ms, self._news, self._rests_on = now_ms, False, rests_on(status)
        forecast = doubted(forecast, outside.channels)
        if outside.clock is not None:
            status = replace(status, clock_suspect=outside.clock)
        status = replace(status, high_water_was_ms=self._high_water.looked())
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
        """Whether the newest forecast is an earlier one issued again."""
        return self.newest is not None and self.newest.issued_at_ms != self._whole_ms

    def _reusable(self, status: SiteStatus, now_ms: int, reused_ms: int) -> Forecast | None:
        """The newest forecast issued again for now; None where a new one has to be made."""
        last = self.newest
        if last is None or self._whole_ms is None or self._news or not 0 <= now_ms - self._whole_ms <= reused_ms:
            return None
        if status.silent or not status.steady or last.basis is Basis.PROJECTED or last.supply is not Supply.MAINS:
            return None
        if rests_on(status) != self._rests_on:
            return None
        return last.reissued(now_ms, status.data_age_s)

    def _goes_to_past(self, forecast: Forecast) -> bool:
        """Whether a forecast is kept among the past ones: at intervals, and whenever supply or basis changed."""
        at_ms, before = forecast.issued_at_ms, self.newest
        every_ms = PAST_MS if forecast.supply is Supply.PACK else PAST_ON_MAINS_MS
        same = before is not None and (before.supply, before.basis) == (forecast.supply, forecast.basis)
        if same and self._past_ms is not None and abs(at_ms - self._past_ms) < every_ms:
            return False
        self._past_ms = at_ms
        return True

    def refit_if_due(self, now_ms: int) -> bool:
        """Refit the models if it is due; it takes long. Where it fails the models stay unchanged, and say degraded."""
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
        """Carry out a person's request. UsageError for an unknown kind."""
        self._due_soon = self._due_now = True
        if kind == "acknowledge":
            return self.manager.acknowledge(target, str(body.get("by", "")), at_ms)
        if kind == "shelve":
            return self.manager.shelve(target, int(body["until_ms"]), str(body.get("by", "")), at_ms)
        if kind == "unshelve":
            return self.manager.unshelve(target, at_ms)
        raise UsageError(Said("usage.a_request_of_kind_is_not", kind=kind), Said("usage.upgrade_the_forecaster"))

    # -- checkpoints
    def engine_checkpoint(self, cursor: str | None, now_ms: int) -> Checkpoint:
        """A checkpoint of the engine, with the cursor up to which it has folded."""
        return Checkpoint(self.site.id, cursor, now_ms, packed(self.engine.snapshot()))

    def alarm_checkpoint(self, now_ms: int) -> Checkpoint:
        """A checkpoint of the alarm manager."""
        return Checkpoint(self.site.id, None, now_ms, packed(self.manager.snapshot()))


def restored_manager(site: Site, ledger: Ledger) -> AlarmManager:
    """The alarm manager from its checkpoint; where that cannot be read, from the ledger's open alarms."""
    return manager_of(site, ledger, ledger.checkpoint("alarms", site.id))


def manager_of(site: Site, ledger: Ledger, kept: Checkpoint | None) -> AlarmManager:
    """The same, of a checkpoint that was read already."""
    if kept is None:
        return AlarmManager(site)
    try:
        return AlarmManager.restore(site, unpacked(kept.state))
    except SnapshotError as error:
        log.warning("site %s: its alarms are taken up from the ledger: %s", site.id, error)
    stored = ledger.newest([site.id]).get(site.id)
    newest = None if stored is None else from_document(msgspec.json.decode(stored.document))
    return AlarmManager.taken_up(site, ledger.alarms(site.id), newest)


def rests_on(status: SiteStatus) -> tuple[object, ...]:
    """The parts of a status that a forecast on mains depends on: supply, charge and runs, settled or not."""
    run = status.last_run
    ran = None if run is None else (run.start_ms, run.run_s, run.energy_wh)
    return status.supply, status.charge_percent, status.running_since_ms, status.spans_heard, status.steady, ran
