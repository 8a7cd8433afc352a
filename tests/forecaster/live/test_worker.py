"""The forecaster at work: restart equals never having stopped, nothing owed is lost, one site's fault stays its own."""

from __future__ import annotations

import threading
import time
import weakref
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import msgspec
import pytest

from api.http.publisher import StreamPublisher
from api.process.installation_state import OutsideView
from api.process.services import Services
from collector.clock import CLOCK_NOTE
from collector.decode.payload import Decoder
from forecaster.alarms import AlarmManager, Outside
from forecaster.domain.alarms import AlarmKind, AlarmState, AlarmTransition, TransitionKind
from forecaster.domain.errors import StoreUnavailable
from forecaster.domain.readings import Reading
from forecaster.domain.records import Delivery
from forecaster.domain.runs import Event
from forecaster.domain.site import Site
from forecaster.engine import Engine
from forecaster.live.site_runner import SiteRunner
from forecaster.live.worker import POLL_S, TURN_A_SITE_S, TURN_S, ForecastWorker
from forecaster.twin.live import LiveSite, Scenario
from tests.scenario import NOW_MS, HeldClock, services

HOURS = 2.0


def nothing_planned(_site: Site, _transitions: Sequence[AlarmTransition], _now_ms: int) -> list[Delivery]:
    return []


def calm(_site: Site) -> Outside:
    return Outside()


@pytest.fixture(scope="module")
def recorded() -> tuple[Site, list[Reading]]:
    """Two hours of Larkspur Lane, the mains lost after one and a half."""
    live = LiveSite(seed=5, start_ms=NOW_MS - round(HOURS * 3_600_000), scenario=Scenario(fail_after_s=5_400.0))
    decoder = Decoder([live.site])
    messages = live.step(HOURS * 3_600.0)
    return live.site, [r for m in messages for r in decoder.decode(m.topic, m.payload, m.at_ms).readings]


def worker(held: Services) -> ForecastWorker:
    return ForecastWorker(
        held.installation.sites,
        held.store,
        held.ledger,
        held.clock,
        plan=nothing_planned,
        outside=calm,
        publisher=StreamPublisher(held.hub),
    )


def until(condition: Callable[[], bool], within_s: float = 60.0) -> None:
    """Wait for something that another thread does."""
    give_up_s = time.monotonic() + within_s
    while not condition():
        assert time.monotonic() < give_up_s, "it did not happen"
        time.sleep(0.02)


def document(held: Services) -> dict[str, object]:
    found: dict[str, object] = msgspec.json.decode(held.ledger.newest()["larkspur"].document)
    return found


def told(held: Services) -> bool:
    return "larkspur" in held.ledger.newest()


def test_a_restart_from_checkpoints_equals_never_having_stopped(
    tmp_path: Path, recorded: tuple[Site, list[Reading]]
) -> None:
    site, readings = recorded
    cut = len(readings) // 3
    clock = HeldClock(NOW_MS)
    held = services(tmp_path, {site.id: site}, clock=clock)
    try:
        held.store.append(readings[:cut])
        first = worker(held)
        first.start()
        until(lambda: told(held))
        first.stop()
        assert held.ledger.checkpoint("engine", site.id) is not None
        held.store.append(readings[cut:])
        clock.move(1)
        second = worker(held)
        second.start()
        until(lambda: document(held)["issued_at"] == "2026-03-03T11:06:07Z")
        second.stop()
        once = Engine(site)
        for reading in readings:
            once.update(reading)
        alarms = SiteRunner.restored(site, held.ledger, 0)[0].manager
        straight = SiteRunner(site, once, alarms).tell(NOW_MS + 1_000, 0.0)
        assert document(held) == msgspec.json.decode(straight.stored.document)
        assert second.counts_so_far.readings == len(readings) - cut
        assert len(held.ledger.runs(site.id, 0, NOW_MS, 1_000).runs) > 10
    finally:
        held.close()


def test_alarms_are_raised_and_obey_people(tmp_path: Path, recorded: tuple[Site, list[Reading]]) -> None:
    site, readings = recorded
    clock = HeldClock(NOW_MS)
    held = services(tmp_path, {site.id: site}, clock=clock)
    work = worker(held)
    try:
        held.store.append(readings)
        work.start()

        def standing() -> bool:
            clock.move(5)
            work.wake()
            return bool(held.ledger.alarms(site.id, [AlarmState.UNACKNOWLEDGED]))

        until(standing)
        (alarm, *_) = held.ledger.alarms(site.id, [AlarmState.UNACKNOWLEDGED])
        held.ledger.request("acknowledge", alarm.id, '{"by": "owner"}', clock.now_ms())
        held.ledger.request("acknowledge", "larkspur:mains-lost:1", '{"by": "nobody"}', clock.now_ms())
        work.wake()
        until(lambda: held.ledger.alarm(alarm.id).state is AlarmState.ACKNOWLEDGED)
        assert held.ledger.alarm(alarm.id).acknowledged_by == "owner"
        assert work.troubles() == []
    finally:
        work.stop()
        held.close()


def test_a_ledger_that_is_away_is_waited_for(
    tmp_path: Path, recorded: tuple[Site, list[Reading]], monkeypatch: pytest.MonkeyPatch
) -> None:
    site, readings = recorded
    held = services(tmp_path, {site.id: site}, clock=HeldClock(NOW_MS))
    monkeypatch.setattr("forecaster.live.worker.BACKOFF_S", 0.05)
    record = held.ledger.record
    refused: list[object] = []

    def away(events: Iterable[Event]) -> None:
        refused.append(events)
        if len(refused) < 3:
            raise StoreUnavailable("the ledger is locked")
        record(events)

    monkeypatch.setattr(held.ledger, "record", away, raising=False)
    work = worker(held)
    try:
        held.store.append(readings)
        work.start()
        until(lambda: told(held))
        assert len(refused) >= 3
        assert len(held.ledger.runs(site.id, 0, NOW_MS, 1_000).runs) > 10
    finally:
        work.stop()
        held.close()


@pytest.mark.parametrize("where", ["update", "forecast", "status", "events", "step"])
def test_one_sites_fault_stays_its_own(
    tmp_path: Path, recorded: tuple[Site, list[Reading]], monkeypatch: pytest.MonkeyPatch, where: str
) -> None:
    """Wherever it happens, also when it has readings of both sites: the other one is folded, forecast and told."""
    site, readings = recorded
    held = services(tmp_path, {site.id: site, "broken": replace(site, id="broken")}, clock=HeldClock(NOW_MS))
    owner: type[Engine] | type[AlarmManager] = AlarmManager if where == "step" else Engine
    method = getattr(owner, where)

    def fails(self: Any, *given: Any) -> Any:
        if self.site.id == "broken":
            raise ZeroDivisionError("a fault of one site")
        return method(self, *given)

    monkeypatch.setattr(owner, where, fails)
    work = worker(held)
    try:
        both = [one for reading in readings for one in (replace(reading, site="broken"), reading)]
        held.store.append(both)
        work.start()
        until(lambda: told(held) and work.counts_so_far.faults > 0)
        assert work.alive()
        assert all(who != "larkspur" for who, _ in work.troubles())
        runs = held.ledger.runs(site.id, 0, NOW_MS, 1_000).runs
        assert len(runs) > 10, "the other site's events are kept"
    finally:
        work.stop()
        held.close()


def test_a_clock_that_the_intake_does_not_believe_raises_its_alarm_and_clears_it(
    tmp_path: Path, recorded: tuple[Site, list[Reading]], monkeypatch: pytest.MonkeyPatch
) -> None:
    site, readings = recorded
    clock = HeldClock(NOW_MS)
    held = services(tmp_path, {site.id: site}, clock=clock)
    monkeypatch.setattr("api.process.installation_state.KEEP_S", 0.0)
    work = ForecastWorker(
        held.installation.sites, held.store, held.ledger, clock, plan=nothing_planned, outside=OutsideView(held)
    )

    def changed(kind: TransitionKind) -> list[AlarmTransition]:
        clock.move(5)
        work.wake()
        found = held.ledger.transitions(site.id, 0, clock.now_ms() + 1)
        return [t for t in found if t.alarm.kind is AlarmKind.CLOCK_SUSPECT and t.kind is kind]

    try:
        held.store.append(readings)
        held.ledger.note(CLOCK_NOTE, "the clock here is 14.0 days behind the last stored message")
        work.start()
        until(lambda: bool(changed(TransitionKind.RAISED)))
        (raised,) = changed(TransitionKind.RAISED)
        assert "14.0 days behind" in raised.alarm.headline
        assert changed(TransitionKind.CLEARED) == []
        held.ledger.note(CLOCK_NOTE, "")
        until(lambda: bool(changed(TransitionKind.CLEARED)))
    finally:
        work.stop()
        held.close()


@pytest.mark.slow
def test_a_worker_that_was_replaced_leaves_nothing_behind(tmp_path: Path, recorded: tuple[Site, list[Reading]]) -> None:
    """Site files change, workers are made anew: engines that are kept from the collector must go with their worker."""
    site, readings = recorded
    held = services(tmp_path, {site.id: site})
    held.store.append(readings[:500])
    gone: list[weakref.ref[ForecastWorker]] = []
    for _ in range(3):
        work = worker(held)
        work.start()
        assert work.wait_caught_up(60.0)
        work.stop()
        assert [ref() for ref in gone] == [None] * len(gone)
        gone.append(weakref.ref(work))
        del work
    held.close()


def test_between_two_turns_there_is_a_rest(
    tmp_path: Path, recorded: tuple[Site, list[Reading]], monkeypatch: pytest.MonkeyPatch
) -> None:
    """What a turn is to take less what it has taken: with a clock that stands, all of it."""
    held = services(tmp_path, {recorded[0].id: recorded[0]}, clock=HeldClock(NOW_MS))
    work = worker(held)
    rests: list[float | None] = []

    class Noted(threading.Event):
        def wait(self, timeout: float | None = None) -> bool:
            rests.append(timeout)
            work._ending.set()
            return True

    monkeypatch.setattr(work, "_ending", Noted())
    monkeypatch.setattr(work, "_woken", Noted())
    monkeypatch.setattr("forecaster.live.worker.time", SimpleNamespace(monotonic=lambda: 7.0))
    work._work()
    held.close()
    assert rests == [pytest.approx(TURN_S + TURN_A_SITE_S), POLL_S]
