"""The engine: one site as a fold. It is updated with readings, and gives forecast and status for any time."""

from __future__ import annotations

from typing import Any

import msgspec
import numpy as np

from forecaster.decoding.typed import from_json
from forecaster.domain.discharge import DischargeResult
from forecaster.domain.errors import SnapshotError
from forecaster.domain.forecast import Forecast
from forecaster.domain.quantities import Quantity
from forecaster.domain.readings import Reading
from forecaster.domain.runs import Event, Gap, Outage, Run, Transfer
from forecaster.domain.site import Site
from forecaster.domain.status import SiteStatus
from forecaster.domain.times import HOUR_MS
from forecaster.engine.ahead import Ahead, fold_in
from forecaster.engine.buffer import Buffer
from forecaster.engine.evidence import FoldOutput
from forecaster.engine.fingerprint import Fingerprint
from forecaster.engine.fold import Fold
from forecaster.engine.models import Models
from forecaster.engine.outlook import outlook
from forecaster.engine.status import observe
from forecaster.water.design import Response
from forecaster.water.seasonal import SeasonStudy

VERSION = 1
"""The version of snapshots."""

_FIRST_FORECAST_MS = 120_000
_KEPT_RAIN_MS = 48 * HOUR_MS
_REFIT_ON_PACK_MS, _REFIT_ON_MAINS_MS = HOUR_MS, 24 * HOUR_MS


class PendingEvents(msgspec.Struct):
    """Events not yet fetched, by kind."""

    runs: list[Run] = msgspec.field(default_factory=list)
    gaps: list[Gap] = msgspec.field(default_factory=list)
    transfers: list[Transfer] = msgspec.field(default_factory=list)
    outages: list[Outage] = msgspec.field(default_factory=list)

    def add(self, events: list[Event]) -> None:
        """Add events."""
        for event in events:
            match event:
                case Run():
                    self.runs.append(event)
                case Gap():
                    self.gaps.append(event)
                case Transfer():
                    self.transfers.append(event)
                case Outage():
                    self.outages.append(event)

    def all(self) -> list[Event]:
        """All events: gaps, transfers, outages, runs; each kind in order."""
        return [*self.gaps, *self.transfers, *self.outages, *self.runs]


def _plain(value: object) -> object:
    """A numpy number as a Python number, for the snapshot."""
    if isinstance(value, np.generic):
        return value.item()
    raise TypeError(f"{type(value).__name__} cannot be kept in a snapshot")


class Saved(msgspec.Struct):
    """A snapshot."""

    version: int
    site: str
    buffer: Buffer
    fold: Fold
    models: dict[str, Any]
    expected: dict[int, tuple[int, float]]
    owed: PendingEvents
    last_test_ms: int | None = None
    fingerprint: Fingerprint | None = None


class Engine:
    """The engine of one site. Disorder within the time that readings are held back, and repeats, do not matter.

    site : Site
    seed : int — of the forecast's draws; the same seed, state and time give the same forecast
    """

    def __init__(self, site: Site, *, seed: int = 0) -> None:
        self.site = site
        self.seed = seed
        self._buffer = Buffer()
        self._fold = Fold.of(site)
        self._models = Models.of(site)
        self._expected: dict[int, tuple[int, float]] = {}
        self._owed = PendingEvents()
        self._last_test_ms: int | None = None
        self._ahead = Ahead(site, seed)
        self._refitted_ms: int | None = None
        self._begun_anew: tuple[str, ...] = ()

    # -- in

    def update(self, reading: Reading) -> None:
        """Take a reading, in any order."""
        if reading.quantity is Quantity.RAIN_EXPECTED:
            self._ahead.drop()
            self._expect(reading)
            return
        self._ahead.stale = True
        if self._buffer.add(reading):
            self._settle()

    def untuned(self, now_ms: int) -> float:
        """Age of the models' last tuning (or time since the first call) over its greatest allowed age; due from 1 on.

        The greatest age is an hour on the pack, while the water recedes, and a day on mains.
        """
        if self._refitted_ms is None:
            self._refitted_ms = now_ms
        every_ms = _REFIT_ON_PACK_MS if self._fold.accounts.on_pack else _REFIT_ON_MAINS_MS
        return (now_ms - self._refitted_ms) / every_ms

    def refit(self, now_ms: int) -> None:
        """Tune the models on the site's own history; heavy, off the hot path. FitError where it cannot."""
        self._refitted_ms = now_ms
        self._ahead.drop()
        self._models.inflow.refit(now_ms)

    def adopt(self, result: DischargeResult, at_ms: int | None = None, *, learn: bool = True) -> None:
        """Take over what a discharge test measured; at_ms is when it ended, by default now by the readings.

        learn : bool — False where this engine has read the test's readings itself and only has to note the test
        """
        self._ahead.drop()
        self._last_test_ms = self._buffer.newest_ms if at_ms is None else at_ms
        if learn:
            self._models.belief.adopt(result, self._last_test_ms if self._last_test_ms > 0 else None)

    def expect_season(self, study: SeasonStudy) -> bool:
        """Take in what a study of the long record lets expect of later days. Returns whether it is news."""
        known = self._models.inflow.season
        if known is not None and study.made_ms <= known.made_ms:
            return False
        self._ahead.drop()
        self._models.inflow.season = study
        return True

    # -- out

    def forecast(self, now_ms: int) -> Forecast:
        """Hours remaining at a time. Changes nothing."""
        fold, models = self._present(now_ms)
        return outlook(self.site, fold, models.lent(), now_ms, self.seed)

    def status(self, now_ms: int) -> SiteStatus:
        """What is observed at a time. Changes nothing."""
        fold, models = self._present(now_ms)
        return observe(self.site, fold, models, self._buffer, now_ms, self._last_test_ms)

    def response(self, draws: int, seed: int) -> Response | None:
        """How the pit answers rain, in so many draws; None where too little of it was measured."""
        return self._models.inflow.response(draws, seed)

    def events(self) -> list[Event]:
        """The events found since the last call in readings that are no longer held back."""
        events = self._owed.all()
        self._owed = PendingEvents()
        return events

    # -- kept

    def snapshot(self) -> bytes:
        """The whole state, as versioned JSON."""
        saved = Saved(
            version=VERSION,
            site=self.site.id,
            buffer=self._buffer,
            fold=self._fold,
            models=self._models.state(),
            expected=self._expected,
            owed=self._owed,
            last_test_ms=self._last_test_ms,
            fingerprint=Fingerprint.of(self.site),
        )
        return msgspec.json.encode(saved, enc_hook=_plain)

    @classmethod
    def restore(cls, site: Site, snapshot: bytes, *, seed: int = 0) -> Engine:
        """The engine that gave the snapshot; SnapshotError where it is of another site or version, or damaged."""
        try:
            saved = from_json(snapshot, Saved)
        except msgspec.MsgspecError as error:
            raise SnapshotError(
                f"the saved state of {site.id} cannot be read: {error}; fold its readings anew"
            ) from error
        if saved.version != VERSION:
            raise SnapshotError(
                f"the saved state of {site.id} is of version {saved.version}, this is {VERSION}; fold its readings anew"
            )
        if saved.site != site.id:
            raise SnapshotError(f"the saved state is of site {saved.site}, not {site.id}; take the right one")
        engine = cls(site, seed=seed)
        engine._buffer, engine._fold, engine._expected = saved.buffer, saved.fold, saved.expected
        engine._owed, engine._last_test_ms = saved.owed, saved.last_test_ms
        engine._models = Models.from_state(site, saved.models)
        engine._fold.adapt(site)
        if saved.fingerprint is not None:
            engine._begin_anew(saved.fingerprint.changed(Fingerprint.of(site)))
        return engine

    @property
    def begun_anew(self) -> tuple[str, ...]:
        """Parts of the site file that were changed since the state was saved: learning about them starts again."""
        return self._begun_anew

    # -- within

    def _begin_anew(self, parts: tuple[str, ...]) -> None:
        """Reset or widen the beliefs that depend on changed parts of the site file; the others stay."""
        self._begun_anew = parts
        for part in parts:
            self._fold.begin_anew(part)
        self._models.begin_anew(self.site, parts)

    def _expect(self, reading: Reading) -> None:
        told = (reading.arrived_ms, reading.value)
        if told > self._expected.get(reading.time_ms, (-1, 0.0)):
            self._expected[reading.time_ms] = told
            self._models.inflow.expect_rain(reading.time_ms, reading.value)
            edge = reading.arrived_ms - _KEPT_RAIN_MS
            if len(self._expected) > 400:
                self._expected = {hour: kept for hour, kept in self._expected.items() if hour >= edge}

    def _settle(self) -> None:
        told = FoldOutput()
        items = self._buffer.settle()
        fold_in(self.site, self._fold, self._models, items, told, self.seed)
        self._ahead.settled(items)
        self._owed.add(told.events)
        self._remember_forecast()

    def _present(self, now_ms: int) -> tuple[Fold, Models]:
        """State and models with the held readings folded in, brought to the present time."""
        return self._ahead.at(now_ms, self._fold, self._models, self._buffer.waiting)

    def _remember_forecast(self) -> None:
        """Keep the forecasts made early in an outage and an hour into it, to be judged when it ends."""
        fold = self._fold
        if not fold.accounts.on_pack or fold.forecasts_made >= 2:
            return
        since = fold.now_ms - fold.accounts.since_ms
        if since >= (HOUR_MS if fold.forecasts_made else _FIRST_FORECAST_MS):
            fold.forecasts_made += 1
            hours = outlook(self.site, fold, self._models.lent(), fold.now_ms, self.seed).hours_remaining
            if hours.p10 is not None and hours.p50 is not None and hours.p90 is not None:
                fold.outage_forecast_h = (hours.p10, hours.p50, hours.p90)
