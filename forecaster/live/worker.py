"""The forecast worker: follows the store, folds each site's engine, publishes forecasts, steps the alarm managers.

One thread owns all engines and alarm managers, and one cursor of the store; a checkpoint keeps both with that
cursor, so going on from a checkpoint is the same as never having stopped. What was computed but could not be
written yet is kept, in order, and written first when the ledger is back.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

import msgspec

from forecaster.alarms import Outside
from forecaster.domain.alarms import AlarmTransition
from forecaster.domain.counts import Count
from forecaster.domain.discharge import DischargeResult
from forecaster.domain.errors import OutlastError, StoreError, StoreRefused
from forecaster.domain.ports import Clock, Ledger, ReadingStore
from forecaster.domain.publishing import Publisher
from forecaster.domain.quantities import Quantity
from forecaster.domain.readings import Reading
from forecaster.domain.runs import Event
from forecaster.domain.site import Site
from forecaster.live.checkpoints import SLICE, CheckpointWriter
from forecaster.live.cursor import StoreCursor
from forecaster.live.lasting import spare_lasting
from forecaster.live.looping import LoopThread
from forecaster.live.pending import COMMITTED, PendingTransitions, PlanDeliveries, WorkerCounts, commit, first_of_each
from forecaster.live.rehearsals import Rehearsals, unread_results
from forecaster.live.seasons import SeasonView
from forecaster.live.settling import SettlementView
from forecaster.live.shedding import LoadShed
from forecaster.live.site_runner import HOLDOFF_MS, KEPT, REFRESH_MS, SITE_FAULTS, Issued, SiteRunner
from forecaster.texts.catalogue import words

log = logging.getLogger("outlast.forecast")

POLL_S = 1.0
TURN_S = 0.02
TURN_A_SITE_S = 50e-6
"""Least length of a turn, and more for each site [s], so that checking all sites is only a small part of it."""

BUDGET_S = 0.5
AHEAD = frozenset({Quantity.RAIN_EXPECTED})
"""Quantities with future times: they do not show how far the readings have come."""
BACKOFF_S = 2.0
EVENTS_A_WRITE = 2_000
"""While catching up, events are written once there are so many."""

Look = Callable[[Site], Outside]
"""Gives what the faces know and the engine cannot: failing deliveries, trouble with taking in readings."""


class ForecastWorker(LoopThread):
    """Runs the engines and managers of some sites. start(), stop(); wake() when the store has news."""

    def __init__(
        self,
        sites: Mapping[str, Site],
        store: ReadingStore,
        ledger: Ledger,
        clock: Clock,
        *,
        plan: PlanDeliveries,
        outside: Look,
        publisher: Publisher | None = None,
        seed: int = 0,
        name: str = "all",
    ) -> None:
        super().__init__("forecaster")
        self._sites, self._store, self._ledger, self._clock = dict(sites), store, ledger, clock
        self._plan, self._outside, self._publisher = plan, outside, publisher
        self._seed, self._name = seed, name
        self._cursor = StoreCursor(store, {})
        self._checkpoints = self._checkpoints_of({})
        self._more_due = False
        self._load = LoadShed()
        self._refit_from_s = 0.0
        self._runners: dict[str, SiteRunner] = {}
        self._behind: set[str] = set()
        self._events: list[Event] = []
        self._pending: list[PendingTransitions] = []
        self._asked = 0
        self._turns = 0
        self._caught_up = threading.Event()
        self._trouble: str | None = None
        self.counts_so_far = WorkerCounts()
        self.reached_ms = 0
        self._settlements = SettlementView(ledger)
        self._seasons = SeasonView(ledger)
        self._rehearsals = Rehearsals(self._sites, store, ledger, self._know_of_test)
        self.on_deliveries: Callable[[], None] | None = None
        self.make_room: Callable[[], bool] | None = None

    # -- for those who wire it
    def wait_caught_up(self, timeout_s: float) -> bool:
        """Wait until all that was stored before the start is folded."""
        return self._caught_up.wait(timeout_s)

    def turns(self) -> int:
        """How often the loop has turned, plus the readings and forecasts made in it."""
        return self._turns + self.counts_so_far.readings + self.counts_so_far.forecasts

    def troubles(self) -> list[tuple[str, str]]:
        """What is wrong at the moment, as (who, what)."""
        found = [("forecaster", self._trouble)] if self._trouble else []
        if self._thread.ident is not None and not self._thread.is_alive() and not self._ending.is_set():
            found.append(("forecaster", words()("fault.its_thread_has_ended")))
        return found + [(runner.site.id, runner.fault) for runner in list(self._runners.values()) if runner.fault]

    def counts(self) -> list[Count]:
        """For the metrics."""
        now = self.counts_so_far
        return [
            Count("outlast_forecaster_readings", "counter", "Readings folded.", float(now.readings)),
            Count("outlast_forecaster_forecasts", "counter", "Forecasts published.", float(now.forecasts)),
            Count("outlast_forecaster_transitions", "counter", "Alarm transitions committed.", float(now.transitions)),
            Count("outlast_forecaster_faults", "counter", "Faults of single sites.", float(now.faults)),
            *self._load.counts(),
        ]

    # -- the thread
    def _work(self) -> None:
        self._until_done(self._restore)
        self._until_done(self._catch_up)
        self._caught_up.set()
        while not self._ending.is_set():
            started = time.monotonic()
            self._woken.clear()
            self._once(self._turn)
            rest = TURN_S + TURN_A_SITE_S * len(self._runners) - (time.monotonic() - started)
            if rest > 0:
                self._ending.wait(rest)
            if not self._more_due:
                self._woken.wait(POLL_S)
        self._once(self._finish)

    def _once(self, step: Callable[[], None]) -> bool:
        """Do a step. If a store fails, log that and wait a little."""
        self._turns += 1
        try:
            step()
        except StoreError as error:
            if self._trouble is None:
                log.warning("waiting for the store: %s", error)
            self._trouble = str(error)
            self._ending.wait(BACKOFF_S)
            return False
        self._trouble = None
        return True

    def _until_done(self, step: Callable[[], None]) -> None:
        while not self._ending.is_set() and not self._once(step):
            pass

    def _finish(self) -> None:
        self._write()
        self._checkpoints.all(self._cursor.standing())

    # -- where we were
    def _restore(self) -> None:
        """Restore the runners from their checkpoints, each with the cursor that it had reached."""
        starts: dict[str, str | None] = {}
        for site, (runner, cursor) in self._restored(self._sites).items():
            self._runners[site], starts[site] = runner, cursor
            runner.holdoff_ms = min(REFRESH_MS, HOLDOFF_MS * len(self._sites))
        self._cursor = StoreCursor(self._store, starts)
        self._checkpoints = self._checkpoints_of(self._runners)
        self._asked = int(self._ledger.noted(self._asked_note) or 0)
        spare_lasting()

    def _checkpoints_of(self, runners: Mapping[str, SiteRunner]) -> CheckpointWriter:
        return CheckpointWriter(runners, self._ledger, self._clock, self._blame)

    def _restored(self, sites: Mapping[str, Site]) -> dict[str, tuple[SiteRunner, str | None]]:
        """The runners of sites from their checkpoints, and the cursor that each had reached."""
        found, names = dict[str, tuple[SiteRunner, str | None]](), list(sites)
        for first in range(0, len(names), SLICE):
            part = names[first : first + SLICE]
            engines, managers = (self._ledger.checkpoints(kind, part) for kind in KEPT)
            for name in part:
                kept = SiteRunner.taken_up(sites[name], self._ledger, self._seed, engines.get(name), managers.get(name))
                if kept[1] is None:
                    self._learn_results(kept[0])
                found[name] = kept
        return found

    def _learn_results(self, runner: SiteRunner) -> None:
        """Let an engine without a checkpoint learn from the tests that its readings do not tell of."""
        for test in unread_results(self._store, self._ledger, runner.site):
            if test.result is not None:
                runner.engine.adopt(test.result, test.finished_ms)

    @property
    def _asked_note(self) -> str:
        return f"requests-handled:{self._name}"

    def _catch_up(self) -> None:
        """Fold everything that is already stored, before the first forecast."""
        self._cursor.catch_up(self._fold, self._ending.is_set)
        self._write()

    # -- one turn
    def _rearrange(self) -> None:
        """Before each turn: nothing here, where the sites stay the same."""

    def _turn(self) -> None:
        self._rearrange()
        self._write()
        more = self._cursor.step(self._fold_live)
        self._handle_requests()
        self._settle()
        self._seasons.step(self._ready(), self._blame)
        self._issue()
        self._write()
        self._rehearse()
        self._refit()
        self._checkpoints.turn(self._cursor.standing())
        self._more_due = self._more_due or more

    def _fold(self, readings: Sequence[Reading]) -> None:
        """Fold a batch, and write the events if there are many."""
        for reading in readings:
            runner = self._runners[reading.site]
            try:
                runner.take(reading)
            except SITE_FAULTS as error:
                self._blame(runner, error)
        self.counts_so_far.readings += len(readings)
        self.reached_ms = max(self.reached_ms, *(r.time_ms for r in readings if r.quantity not in AHEAD), 0)
        for site in {reading.site for reading in readings}:
            self._take_events(self._runners[site])
        if len(self._events) >= EVENTS_A_WRITE:
            self._write()

    def _take_events(self, runner: SiteRunner) -> None:
        """Collect the events of a site's engine, to be written."""
        try:
            events = runner.drain()
        except SITE_FAULTS as error:
            self._blame(runner, error)
            return
        self._rehearsals.noticed(events)
        self._events += events

    def _fold_live(self, readings: Sequence[Reading]) -> None:
        self._fold(readings)
        if self._publisher is not None and self._publisher.listening:
            for reading in readings:
                self._publisher.reading(reading)

    def _blame(self, runner: SiteRunner, error: Exception) -> None:
        """Record a fault of one site, which does not affect others: in the log and in /healthz."""
        self.counts_so_far.faults += 1
        if runner.fault is None:
            log.error("site %s: %s: %s", runner.site.id, type(error).__name__, error, exc_info=error)
        runner.fault = words()("fault.in_its_engine_see_the_log", name=type(error).__name__)

    def _settle(self) -> None:
        """Read the outcomes of messages about open alarms, and wake the couriers where somebody is to be told early."""
        if self._settlements.step(self._runners.values(), self._clock.now_ms()) and self.on_deliveries is not None:
            self.on_deliveries()

    def _issue(self) -> None:
        """Forecast the sites that are due, most urgent first, within the turn's budget."""
        started = time.monotonic()
        now_ms = self._clock.now_ms()
        shed_ms = self._load.shed_ms
        due = [runner for runner in self._ready() if runner.due(now_ms, started, shed_ms)]
        self._load.step(max((runner.late_ms(now_ms, shed_ms) for runner in due), default=0), started)
        due.sort(key=lambda runner: runner.urgency(now_ms, shed_ms), reverse=True)
        told: list[Issued] = []
        self._more_due = False
        for runner in due:
            if told and time.monotonic() - started > BUDGET_S:
                self._more_due = True
                break
            try:
                rehearsal, settled = self._rehearsals.pulled(runner.site.id), self._settlements.newest
                outside = replace(self._outside(runner.site), rehearsal=rehearsal, settled=settled)
                told.append(runner.tell(self._clock.now_ms(), time.monotonic(), outside, self._load.reused_ms))
            except SITE_FAULTS as error:
                runner.postpone(now_ms, time.monotonic())
                self._blame(runner, error)
        if not told:
            return
        for t in told:  # kept before anything is written: a manager that has moved on does not say it twice
            if t.transitions:
                self._keep_pending(t.site, t.transitions, now_ms)
        self._commit_pending()
        self._publish(told)

    def _ready(self) -> list[SiteRunner]:
        """The runners of all sites that have caught up with their readings."""
        if not self._behind:
            return list(self._runners.values())
        return [runner for runner in self._runners.values() if runner.site.id not in self._behind]

    def _publish(self, told: Sequence[Issued]) -> None:
        self._ledger.publish([t.stored for t in told])
        self.counts_so_far.forecasts += len(told)
        if self._publisher is not None:
            for t in told:
                self._publisher.forecast(t.stored)

    def _refit(self) -> None:
        """Refit the models of one site in each turn, the one refitted longest ago, within a share of the time."""
        started, now_ms = time.monotonic(), self._clock.now_ms()
        ready = self._ready() if started >= self._refit_from_s else []
        if not ready:
            return
        runner = max(ready, key=lambda one: one.engine.untuned(now_ms))
        try:
            runner.refit_if_due(now_ms)
        except SITE_FAULTS as error:
            self._blame(runner, error)
        self._refit_from_s = time.monotonic() + (time.monotonic() - started) * (1.0 / self._load.refit_share - 1.0)

    def _keep_pending(self, site: Site, transitions: list[AlarmTransition], now_ms: int) -> None:
        self._pending.append(
            PendingTransitions(site, transitions, now_ms, self._runners[site.id].alarm_checkpoint(now_ms))
        )

    # -- what people asked
    def _handle_requests(self) -> None:
        """Carry out people's requests (acknowledge, shelve, start and finish tests), each once and in order."""
        asked = self._ledger.requests(self._asked)
        for number, kind, target, body, at_ms in asked:
            runner = self._runners.get(target.partition(":")[0])
            if runner is not None:
                self._obey(runner, kind, target, body, at_ms)
            self._asked = number
        if asked:
            self._write()
            self._ledger.note(self._asked_note, str(self._asked))

    def _rehearse(self) -> None:
        """Step discharge tests. An error in one site's test is logged and does not affect others."""
        try:
            self._rehearsals.step(self._clock.now_ms())
        except StoreError:
            raise
        except SITE_FAULTS as error:
            self.counts_so_far.faults += 1
            log.error("discharge test: %s: %s", type(error).__name__, error, exc_info=error)

    def _know_of_test(self, site: str, result: DischargeResult, ended_ms: int) -> None:
        """Tell a site's engine that there was a test; it has already read the test's readings."""
        self._runners[site].engine.adopt(result, ended_ms, learn=False)
        self._runners[site].changed = True

    def _obey(self, runner: SiteRunner, kind: str, target: str, body: str, at_ms: int) -> None:
        if self._rehearsals.obey(kind, target, at_ms):
            return
        try:
            transitions = runner.obey(kind, target, msgspec.json.decode(body), at_ms)
        except OutlastError as error:
            log.warning("site %s: %s of %s: %s", runner.site.id, kind, target, error)
            return
        if transitions:
            self._keep_pending(runner.site, transitions, at_ms)

    # -- what waits to be committed to the ledger
    def _write(self) -> None:
        """Write transitions, then events, in order. What fails is written in the next turn."""
        self._commit_pending()
        if self._events:
            self._ledger.record(self._events)
            self._events = []

    def _commit_pending(self) -> None:
        """Commit the transitions of many sites at once; where the ledger refuses that, of one after another."""
        most = COMMITTED
        while self._pending:
            lot = first_of_each(self._pending[:most])
            try:
                transitions, deliveries = commit(lot, self._ledger, self._plan)
            except StoreError as error:
                if isinstance(error, StoreRefused) and len(lot) > 1:
                    most = 1
                elif self.make_room is None or not self.make_room():
                    raise
                continue
            del self._pending[: len(lot)]
            self.counts_so_far.transitions += len(transitions)
            if self._publisher is not None:
                for transition in transitions:
                    self._publisher.alarm(transition)
            if deliveries and self.on_deliveries is not None:
                self.on_deliveries()
