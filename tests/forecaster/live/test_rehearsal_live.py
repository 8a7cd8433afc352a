"""A rehearsal through the running forecaster: planned, seen to begin, ended by the mains, known to the engine."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from collector.clock import HeldClock
from collector.store.open import open_ledger, open_store
from forecaster.alarms.evidence import Outside
from forecaster.discharge import progress
from forecaster.domain.discharge import EndReason
from forecaster.domain.readings import Reading
from forecaster.domain.times import HOUR_MS
from forecaster.live.rehearsals import evidence_of, say_pulled, start_test
from forecaster.live.worker import ForecastWorker
from forecaster.twin.episode import EPOCH_MS, merged
from forecaster.twin.sensors import Reporter
from tests.forecaster.before_and_after import SENSORS, PulledHouse, pulled_house

PATIENCE_S = 120.0


def readings_of(told: PulledHouse) -> list[Reading]:
    rng = np.random.default_rng(1)
    reporter = Reporter(told.house, told.truth, np.zeros(1), EPOCH_MS)
    tracks = tuple(reporter.reports(sensor, 0.0, told.back_s + 3600.0, rng) for sensor in SENSORS)
    return list(merged(told.site.id, tracks, ()))


def wait_for(true: Callable[[], bool], what: str) -> None:
    deadline = time.monotonic() + PATIENCE_S
    while not true():
        assert time.monotonic() < deadline, what
        time.sleep(0.05)


def test_a_rehearsal_through_the_forecaster(tmp_path: Path) -> None:
    told = pulled_house(201)
    site, readings = told.site, readings_of(told)
    pulled_ms, back_ms = (EPOCH_MS + round(s * 1000) for s in (told.pulled_s, told.back_s))
    half_ms = (pulled_ms + back_ms) // 2
    store, ledger = open_store(f"sqlite:///{tmp_path / 'r.db'}"), open_ledger(f"sqlite:///{tmp_path / 'l.db'}")
    clock = HeldClock(pulled_ms - 60_000)
    store.append([r for r in readings if r.arrived_ms < pulled_ms - 60_000])
    worker = ForecastWorker({site.id: site}, store, ledger, clock, plan=lambda *_: [], outside=lambda _: Outside())
    worker.start()
    try:
        assert worker.wait_caught_up(PATIENCE_S)
        test = start_test(ledger, site, "owner", clock.now_ms(), None, None)
        test = say_pulled(ledger, site, test.id, clock.now_ms())
        worker.wake()
        store.append([r for r in readings if r.arrived_ms < half_ms])
        clock.advance((half_ms - clock.now_ms()) / 1000.0)
        worker.wake()
        wait_for(lambda: bool(ledger.outages(site.id)), "the outage was not recorded while it lasts")
        so_far = evidence_of(store, ledger, site, test, clock.now_ms())
        assert so_far is not None
        assert progress(test, so_far, clock.now_ms()).on_pack
        store.append([r for r in readings if r.arrived_ms < back_ms + HOUR_MS])
        clock.advance((back_ms + HOUR_MS - clock.now_ms()) / 1000.0)
        worker.wake()
        wait_for(lambda: ledger.tests(site.id)[0].finished_ms is not None, "the test did not end")
        assert worker.troubles() == []
    finally:
        worker.stop()
    done = ledger.tests(site.id)[0]
    assert done.end is EndReason.MAINS_RETURN
    assert done.result is not None
    assert done.result.started_pump
    assert done.result.cycles > 5
    assert ledger.outages(site.id)[0].rehearsal
    store.close()
    ledger.close()
