"""Discharge tests on a live installation: their evidence from the stores, their end, and unannounced rehearsals."""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from zoneinfo import ZoneInfo

import msgspec

from forecaster.alarms.grouping import OUTAGE_ALARMS
from forecaster.alarms.meant import began_with
from forecaster.decoding.typed import from_json
from forecaster.discharge import DischargeEvidence, analyse, finish_reason
from forecaster.discharge.evidence import MAINS_HABIT, held_mean
from forecaster.discharge.watch import check_plan, enough
from forecaster.domain.alarms import OPEN
from forecaster.domain.discharge import DischargeResult, DischargeTest, EndReason
from forecaster.domain.errors import Conflict, NotFound, UsageError
from forecaster.domain.ports import Ledger, ReadingStore
from forecaster.domain.quantities import Quantity
from forecaster.domain.records import StoredForecast
from forecaster.domain.runs import Event, Outage, Run, Supply
from forecaster.domain.site import Site
from forecaster.domain.times import DAY_MS, HOUR_MS
from forecaster.pack.together import house_charge, house_series
from forecaster.texts.catalogue import Said

log = logging.getLogger("outlast.rehearsals")

ALREADY_PULLED_MS = HOUR_MS // 2
"""A test may be started this long after the plug was pulled."""

STEP_S = 15.0
WAITS_MS = DAY_MS
"""A test whose plug was not pulled within this time is given up."""

WAKING_HOURS = range(7, 21)
NEARLY_FULL = 95.0

Learn = Callable[[str, DischargeResult, int], None]
"""Called with a site, a result and when the test ended."""


# -- evidence


def gather(store: ReadingStore, ledger: Ledger, site: Site, start_ms: int, end_ms: int) -> DischargeEvidence:
    """The evidence of a span on the pack."""
    points = house_series(store, site, Quantity.PACK_CHARGE, start_ms - HOUR_MS, end_ms)
    charge = [(point.time_ms, point.mean) for point in points]
    held = [percent for at_ms, percent in charge if at_ms <= start_ms]
    since = [(at_ms, percent) for at_ms, percent in charge if at_ms > start_ms]
    return DischargeEvidence(
        site=site,
        start_ms=start_ms,
        end_ms=end_ms,
        charge=((start_ms, held[-1]), *since) if held else tuple(since),
        runs=_runs(ledger, site.id, start_ms, end_ms),
        before=tuple(reversed(ledger.runs(site.id, start_ms - 3 * DAY_MS, start_ms, MAINS_HABIT).runs)),
        output_w=_gauge(store, site, Quantity.PACK_OUTPUT_POWER, start_ms, end_ms),
        input_w=_gauge(store, site, Quantity.PACK_INPUT_POWER, start_ms, end_ms),
        rain_mm=_rain_mm(store, site, start_ms, end_ms),
        each_load_w=_each_load_w(store, site, start_ms, end_ms),
    )


def _runs(ledger: Ledger, site: str, start_ms: int, end_ms: int) -> tuple[Run, ...]:
    found: list[Run] = []
    cursor: str | None = None
    while True:
        page = ledger.runs(site, start_ms, end_ms, 2000, cursor)
        found += page.runs
        if page.cursor is None:
            return tuple(reversed(found))
        cursor = page.cursor


def _gauge(
    store: ReadingStore, site: Site, quantity: Quantity, start_ms: int, end_ms: int
) -> tuple[tuple[int, float], ...]:
    if not site.has(quantity):
        return ()
    return tuple((point.time_ms, point.mean) for point in house_series(store, site, quantity, start_ms, end_ms))


def _each_load_w(store: ReadingStore, site: Site, start_ms: int, end_ms: int) -> tuple[tuple[str, float], ...]:
    """The mean power of each load that has a channel of its own [W]."""
    found = []
    for channel in site.channels:
        if channel.quantity is Quantity.LOAD_POWER:
            points = store.series(site.id, Quantity.LOAD_POWER, start_ms, end_ms, subject=channel.of)
            if points:
                found.append((channel.of, held_mean([(p.time_ms, p.mean) for p in points], end_ms)))
    return tuple(found)


def _rain_mm(store: ReadingStore, site: Site, start_ms: int, end_ms: int) -> float | None:
    if site.has(Quantity.RAIN_DEPTH):
        return sum(p.mean * p.count for p in store.series(site.id, Quantity.RAIN_DEPTH, start_ms, end_ms))
    if site.has(Quantity.RAIN_RATE):
        rates = store.series(site.id, Quantity.RAIN_RATE, start_ms, end_ms, 500)
        return sum(p.mean for p in rates) / len(rates) * (end_ms - start_ms) / HOUR_MS if rates else None
    return None


def outage_of(test: DischargeTest, outages: Iterable[Outage]) -> Outage | None:
    """The outage that belongs to a test: the first that began after, or shortly before, the test was requested."""
    later = [o for o in outages if o.start_ms >= test.started_ms - ALREADY_PULLED_MS]
    if test.finished_ms is not None:
        later = [o for o in later if o.start_ms < test.finished_ms]
    return min(later, key=lambda o: o.start_ms, default=None)


def evidence_of(
    store: ReadingStore, ledger: Ledger, site: Site, test: DischargeTest, now_ms: int
) -> DischargeEvidence | None:
    """Evidence of a test so far; None while the pack has not been switched to."""
    outage = outage_of(test, ledger.outages(site.id, 50))
    if outage is None:
        return None
    end_ms = min(t for t in (now_ms, outage.end_ms, test.finished_ms) if t is not None)
    return gather(store, ledger, site, outage.start_ms, end_ms)


# -- people


def running_test(ledger: Ledger, site: str) -> DischargeTest | None:
    """The test of a site that is running or waiting for the plug to be pulled."""
    return next((test for test in ledger.tests(site) if test.finished_ms is None), None)


def refuse_on_trouble(ledger: Ledger, site: Site) -> None:
    """Conflict where the pack carries the pump, or an outage alarm stands: a test would hide the real thing."""
    newest = ledger.newest([site.id]).get(site.id)
    if newest is not None and forecast_fields(newest).supply == Supply.PACK.value:
        raise Conflict(
            Said("usage.the_pack_carries_the_pump_of", site=site.id), Said("usage.test_when_the_mains_is_back")
        )
    for alarm in ledger.alarms(site.id, OPEN):
        if alarm.kind in OUTAGE_ALARMS and alarm.cleared_ms is None:
            raise Conflict(
                Said("usage.the_alarm_of_stands", kind=alarm.kind, site=site.id), Said("usage.test_when_it_is_over")
            )


def start_test(
    ledger: Ledger, site: Site, by: str, now_ms: int, until_percent: float | None, until_ms: int | None
) -> DischargeTest:
    """Plan a test. It mutes nothing until somebody says that the plug is being pulled.

    UsageError for a plan that cannot be; Conflict for a second test, on the pack, or with an outage alarm open.
    """
    check_plan(site, until_percent, until_ms, now_ms)
    if running_test(ledger, site.id) is not None:
        raise Conflict(Said("usage.a_discharge_test_of_is_running", site=site.id), Said("usage.finish_it_first"))
    refuse_on_trouble(ledger, site)
    test = DischargeTest(f"{site.id}:test:{now_ms}", site.id, now_ms, by, until_percent, until_ms)
    ledger.save_test(test)
    ledger.request("test-start", test.id, "{}", now_ms)
    return test


def say_pulled(ledger: Ledger, site: Site, test_id: str, now_ms: int) -> DischargeTest:
    """ "I am pulling the plug now": for ten minutes a change to the pack is the test's. NotFound, Conflict."""
    test = next((t for t in ledger.tests(site.id) if t.id == test_id), None)
    if test is None:
        raise NotFound(Said("usage.discharge_test", test_id=test_id))
    if test.finished_ms is not None:
        raise Conflict(Said("usage.the_discharge_test_is_finished", test_id=test_id), Said("usage.start_another_one"))
    refuse_on_trouble(ledger, site)
    newest = ledger.newest([site.id]).get(site.id)
    pulled = replace(test, pulled_ms=now_ms, pulled_duty=None if newest is None else forecast_fields(newest).duty)
    ledger.save_test(pulled)
    ledger.request("test-pull", test.id, "{}", now_ms)
    return pulled


class ForecastFields(msgspec.Struct):
    """The fields of a forecast document that are needed here."""

    supply: str
    duty: float | None = None


def forecast_fields(stored: StoredForecast) -> ForecastFields:
    """A published forecast, as far as a test asks."""
    return from_json(stored.document, ForecastFields)


def ask_finish(ledger: Ledger, site: str, test_id: str, now_ms: int) -> int:
    """Ask the forecaster to finish a running test. Returns the number of the request. NotFound, UsageError."""
    test = next((t for t in ledger.tests(site) if t.id == test_id), None)
    if test is None:
        raise NotFound(Said("usage.discharge_test", test_id=test_id))
    if test.finished_ms is not None:
        raise UsageError(Said("usage.the_discharge_test_is_finished", test_id=test_id), Said("usage.start_another_one"))
    return ledger.request("test-finish", test.id, "{}", now_ms)


# -- the forecaster's part


@dataclass(slots=True)
class Rehearsals:
    """Steps running tests and keeps rehearsals that nobody announced. Owned by the forecaster's thread.

    learn : called with each result, so that the site's engine knows when the last test was
    """

    sites: Mapping[str, Site]
    store: ReadingStore
    ledger: Ledger
    learn: Learn
    _running: dict[str, DischargeTest] | None = None
    _over: dict[str, DischargeTest] = field(default_factory=dict)
    _ended: list[Outage] | None = None
    _stepped_s: float = float("-inf")

    def obey(self, kind: str, target: str, now_ms: int) -> bool:
        """Carry out a request that concerns a test. Returns whether it did."""
        if kind in ("test-start", "test-pull"):
            self._take_up(target.partition(":")[0])
            return True
        if kind == "test-finish":
            site = target.partition(":")[0]
            test = running_test(self.ledger, site)
            if test is not None and test.id == target:
                self._finish(test, now_ms, EndReason.BY_HAND)
            return True
        return False

    def noticed(self, events: Iterable[Event]) -> None:
        """Take events: ended outages are examined once their runs are stored, and a transfer steps tests soon."""
        outages = [e for e in events if isinstance(e, Outage)]
        if outages:
            self._stepped_s = float("-inf")
        ended = [e for e in outages if e.end_ms is not None and not e.rehearsal]
        self._ended = [*(self._ended or []), *ended]

    def step(self, now_ms: int) -> None:
        """Finish tests that have reached their end. Cheap where no test runs; works every STEP_S at most."""
        self._recognise()
        running = self._known()
        moment = time.monotonic()
        if not running or moment - self._stepped_s < STEP_S:
            return
        self._stepped_s = moment
        for test in list(running.values()):
            self._step(test, now_ms)

    def pulled(self, site: str) -> DischargeTest | None:
        """The site's test, running or just over, whose plug was said to be pulled; None for one that only waits."""
        test = self._known().get(site, self._over.get(site))
        return test if test is not None and test.pulled_ms is not None else None

    def _known(self) -> dict[str, DischargeTest]:
        """The running tests by site; read once, together with the newest ones that are over."""
        if self._running is None:
            self._running = {}
            self.begin(self.sites)
        return self._running

    def begin(self, sites: Iterable[str]) -> None:
        """Read the tests of sites that this forecaster has from now on."""
        if self._running is None:
            return  # all are read at the first look
        for site in sites:
            tests = self.ledger.tests(site)
            test = next((test for test in tests if test.finished_ms is None), None)
            if test is not None:
                self._running[site] = test
            elif tests:
                self._over[site] = tests[0]

    def leave(self, sites: Iterable[str]) -> None:
        """Forget the tests of sites that another forecaster has from now on."""
        for site in sites:
            (self._running or {}).pop(site, None)
            self._over.pop(site, None)

    def _take_up(self, site: str) -> None:
        test = running_test(self.ledger, site)
        if test is not None and site in self.sites:
            self._known()[site] = test

    def _step(self, test: DischargeTest, now_ms: int) -> None:
        site = self.sites[test.site]
        outage = outage_of(test, self.ledger.outages(site.id, 50))
        if outage is None:
            if now_ms - test.started_ms > WAITS_MS:
                self._close(replace(test, finished_ms=now_ms, end=EndReason.TIME))
            return
        charge = house_charge(self.store, site, outage.start_ms)
        why = finish_reason(test, site, now_ms, charge, outage.end_ms is not None)
        if why is not None:
            self._finish(test, now_ms if outage.end_ms is None else outage.end_ms, why)

    def _finish(self, test: DischargeTest, end_ms: int, why: EndReason) -> None:
        site = self.sites[test.site]
        outage = outage_of(test, self.ledger.outages(site.id, 50))
        if outage is None:
            self._close(replace(test, finished_ms=end_ms, end=why))
            return
        stop_ms = end_ms if outage.end_ms is None else min(end_ms, outage.end_ms)
        result = analyse(gather(self.store, self.ledger, site, outage.start_ms, stop_ms))
        if why is EndReason.BY_HAND or began_with(test, outage.start_ms):
            self.ledger.record([replace(outage, rehearsal=True)])
        self._close(replace(test, started_ms=outage.start_ms, finished_ms=stop_ms, end=why, result=result))
        self.learn(site.id, result, stop_ms)

    def _close(self, test: DischargeTest) -> None:
        self.ledger.save_test(test)
        if self._running is not None:
            self._running.pop(test.site, None)
        self._over[test.site] = test
        log.info("site %s: discharge test finished: %s", test.site, test.end)

    def _recognise(self) -> None:
        """Keep an outage that looks intended as a rehearsal: from nearly full, by day, dry, ended above the floor."""
        ended, self._ended = self._ended or [], None
        for outage in ended:
            site = self.sites.get(outage.site)
            if site is None or outage.end_ms is None or not _looks_meant(site, outage):
                continue
            tests = self.ledger.tests(site.id)
            if any(_overlaps(test, outage) for test in tests):
                continue
            evidence = gather(self.store, self.ledger, site, outage.start_ms, outage.end_ms)
            if not enough(evidence) or (evidence.rain_mm or 0.0) > 0.0:
                continue
            result = analyse(evidence)
            test_id = f"{site.id}:test:{outage.start_ms}"
            self.ledger.save_test(
                DischargeTest(
                    test_id, site.id, outage.start_ms, "recognised", None, None, outage.end_ms,
                    EndReason.MAINS_RETURN, result,
                )
            )  # fmt: skip
            self.learn(site.id, result, outage.end_ms)


def _overlaps(test: DischargeTest, outage: Outage) -> bool:
    assert outage.end_ms is not None
    before = test.started_ms < outage.end_ms
    return before and (test.finished_ms is None or test.finished_ms >= outage.start_ms)


def _looks_meant(site: Site, outage: Outage) -> bool:
    hour = datetime.fromtimestamp(outage.start_ms / 1000.0, ZoneInfo(site.timezone)).hour
    full = outage.start_charge_percent is not None and outage.start_charge_percent >= NEARLY_FULL
    spared = outage.lowest_charge_percent is not None and outage.lowest_charge_percent > site.pack.reserve_percent
    return hour in WAKING_HOURS and full and spared and not outage.inferred


def unread_results(store: ReadingStore, ledger: Ledger, site: Site) -> list[DischargeTest]:
    """Finished tests, oldest first, whose readings are no longer stored: a new engine cannot learn from them."""
    done = [
        test for test in reversed(ledger.tests(site.id)) if test.result is not None and test.finished_ms is not None
    ]
    return [t for t in done if not house_series(store, site, Quantity.PACK_CHARGE, t.started_ms, t.finished_ms or 0, 1)]
