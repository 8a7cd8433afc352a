"""Discharge tests at work on real stores: planned, begun by pulling the plug, brought to their end, kept."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path

import pytest

from api.offline.sizing_inputs import observed_start, record, sleeps
from collector.store.open import open_ledger, open_store
from forecaster.discharge import analyse, progress
from forecaster.domain.alarms import Alarm, AlarmKind, AlarmState, AlarmTransition, Priority, TransitionKind
from forecaster.domain.discharge import DischargeResult, EndReason
from forecaster.domain.errors import Conflict, NotFound, UsageError
from forecaster.domain.ports import Ledger, ReadingStore
from forecaster.domain.quantities import Quantity
from forecaster.domain.readings import Reading
from forecaster.domain.records import StoredForecast
from forecaster.domain.runs import Outage
from forecaster.domain.site import Site
from forecaster.domain.times import HOUR_MS
from forecaster.live.rehearsals import (
    Rehearsals,
    ask_finish,
    evidence_of,
    gather,
    running_test,
    say_pulled,
    start_test,
    unread_results,
)
from tests.forecaster.rehearsals import Rehearsal, rehearse

PULLED_MS = 1_772_550_000_000  # 2026-03-03T15:00:00Z, nine in the morning in Chicago


@dataclass
class Bench:
    store: ReadingStore
    ledger: Ledger
    rehearsal: Rehearsal
    learnt: list[tuple[str, DischargeResult, int]] = field(default_factory=list)

    @property
    def site(self) -> Site:
        return self.rehearsal.evidence.site

    @property
    def end_ms(self) -> int:
        return PULLED_MS + self.rehearsal.evidence.end_ms

    def worker(self) -> Rehearsals:
        return Rehearsals({self.site.id: self.site}, self.store, self.ledger, lambda *told: self.learnt.append(told))

    def outage(self, end_ms: int | None) -> Outage:
        charge = self.rehearsal.evidence.charge
        return Outage(self.site.id, PULLED_MS, end_ms, False, charge[0][1], charge[-1][1])

    def live(self, until_ms: int) -> None:
        """What collector and engine would have stored by a time, the pack carrying since PULLED_MS."""
        evidence = self.rehearsal.evidence
        readings = [
            Reading(self.site.id, Quantity.PACK_CHARGE, PULLED_MS + at_ms, percent, PULLED_MS + at_ms)
            for at_ms, percent in evidence.charge
            if PULLED_MS + at_ms <= until_ms
        ]
        self.store.append(readings)
        runs = [replace(r, start_ms=r.start_ms + PULLED_MS, stop_ms=r.stop_ms + PULLED_MS) for r in evidence.runs]
        self.ledger.record([r for r in runs if r.stop_ms <= until_ms])
        self.ledger.record([self.outage(None)])


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    store = open_store(f"sqlite:///{tmp_path / 'readings.db'}")
    ledger = open_ledger(f"sqlite:///{tmp_path / 'ledger.db'}")
    yield Bench(store, ledger, rehearse(21, 0.3))
    store.close()
    ledger.close()


def test_from_plan_to_result(bench: Bench) -> None:
    plan = start_test(bench.ledger, bench.site, "owner", PULLED_MS - HOUR_MS, 75.0, None)
    worker = bench.worker()
    worker.step(PULLED_MS - HOUR_MS)
    waiting = running_test(bench.ledger, bench.site.id)
    assert waiting == plan
    assert worker.pulled(bench.site.id) is None
    plan = say_pulled(bench.ledger, bench.site, plan.id, PULLED_MS)
    assert worker.obey("test-pull", plan.id, PULLED_MS)
    assert worker.pulled(bench.site.id) == plan
    assert evidence_of(bench.store, bench.ledger, bench.site, plan, PULLED_MS) is None
    early_ms = PULLED_MS + round(0.3 * bench.rehearsal.evidence.end_ms)
    bench.live(early_ms)
    bench.worker().step(early_ms)
    assert running_test(bench.ledger, bench.site.id) is not None
    so_far = evidence_of(bench.store, bench.ledger, bench.site, plan, early_ms)
    assert so_far is not None
    assert progress(plan, so_far, early_ms).on_pack
    bench.live(bench.end_ms)
    bench.worker().step(bench.end_ms)
    done = bench.ledger.tests(bench.site.id)[0]
    assert done.end is EndReason.CHARGE
    assert done.started_ms == PULLED_MS
    assert done.result is not None
    assert done.result.hours_full_to_reserve[1] == pytest.approx(bench.rehearsal.true_hours, rel=0.15)
    assert bench.learnt[0][0] == bench.site.id
    assert bench.ledger.outages(bench.site.id)[0].rehearsal
    assert running_test(bench.ledger, bench.site.id) is None


def test_gathered_evidence_is_what_was_read(bench: Bench) -> None:
    bench.live(bench.end_ms)
    gathered = gather(bench.store, bench.ledger, bench.site, PULLED_MS, bench.end_ms)
    given = bench.rehearsal.evidence
    assert len(gathered.runs) == len(given.runs)
    assert gathered.used_percent == given.used_percent
    assert analyse(gathered).hours_full_to_reserve == pytest.approx(analyse(given).hours_full_to_reserve, rel=0.02)


def test_the_floor_ends_a_test_whatever_was_planned(bench: Bench) -> None:
    start_test(bench.ledger, bench.site, "owner", PULLED_MS, None, None)
    bench.live(bench.end_ms)
    floor = bench.site.pack.reserve_percent
    bench.store.append([Reading(bench.site.id, Quantity.PACK_CHARGE, bench.end_ms, floor, bench.end_ms)])
    bench.worker().step(bench.end_ms)
    assert bench.ledger.tests(bench.site.id)[0].end is EndReason.FLOOR


def test_by_hand_and_by_the_mains(bench: Bench) -> None:
    first = start_test(bench.ledger, bench.site, "owner", PULLED_MS, None, None)
    with pytest.raises(UsageError, match="running already"):
        start_test(bench.ledger, bench.site, "owner", PULLED_MS, None, None)
    bench.live(bench.end_ms)
    ask_finish(bench.ledger, bench.site.id, first.id, bench.end_ms)
    worker = bench.worker()
    for _, kind, target, _, at_ms in bench.ledger.requests(0):
        assert worker.obey(kind, target, at_ms)
    assert not worker.obey("acknowledge", "x:y", 0)
    by_hand = bench.ledger.tests(bench.site.id)[0]
    assert by_hand.end is EndReason.BY_HAND
    with pytest.raises(UsageError, match="is finished"):
        ask_finish(bench.ledger, bench.site.id, first.id, bench.end_ms)
    with pytest.raises(NotFound):
        ask_finish(bench.ledger, bench.site.id, "nothing", bench.end_ms)
    later = start_test(bench.ledger, bench.site, "owner", bench.end_ms + HOUR_MS, None, None)
    pulled = replace(bench.outage(bench.end_ms + 3 * HOUR_MS), start_ms=bench.end_ms + 2 * HOUR_MS)
    bench.ledger.record([pulled])
    bench.worker().step(bench.end_ms + 4 * HOUR_MS)
    ended = next(t for t in bench.ledger.tests(bench.site.id) if t.id == later.id)
    assert ended.end is EndReason.MAINS_RETURN
    assert ended.finished_ms == bench.end_ms + 3 * HOUR_MS


def test_a_failure_while_a_test_only_waits_stays_a_failure(bench: Bench) -> None:
    start_test(bench.ledger, bench.site, "owner", PULLED_MS - HOUR_MS, None, None)
    bench.live(bench.end_ms)
    worker = bench.worker()
    assert worker.pulled(bench.site.id) is None
    bench.ledger.record([bench.outage(bench.end_ms)])
    worker.step(bench.end_ms)
    assert bench.ledger.tests(bench.site.id)[0].end is EndReason.MAINS_RETURN
    assert not bench.ledger.outages(bench.site.id)[0].rehearsal


def test_no_test_on_the_pack_nor_with_an_outage_alarm_open(bench: Bench) -> None:
    site, now = bench.site, PULLED_MS
    document = '{"supply": "pack", "duty": 0.05}'
    bench.ledger.publish([StoredForecast(site.id, now, document)])
    with pytest.raises(Conflict, match="the pack carries the pump"):
        start_test(bench.ledger, site, "owner", now, None, None)
    bench.ledger.publish([StoredForecast(site.id, now + 1, document.replace("pack", "mains"))])
    alarm = Alarm(
        f"{site.id}:pump-silent:1", site.id, AlarmKind.PUMP_SILENT, Priority.CRITICAL, AlarmState.ACKNOWLEDGED,
        1, 1, 1, "The pump is dead.", "Now: look.", "The floor gets wet.",
    )  # fmt: skip
    bench.ledger.commit_transitions([AlarmTransition(alarm, TransitionKind.RAISED, now)], [], [])
    with pytest.raises(Conflict, match="the alarm pump-silent"):
        start_test(bench.ledger, site, "owner", now, None, None)
    over = replace(alarm, state=AlarmState.NORMAL, cleared_ms=2, revision=1)
    bench.ledger.commit_transitions([AlarmTransition(over, TransitionKind.CLEARED, now)], [], [])
    plan = start_test(bench.ledger, site, "owner", now, None, None)
    bench.ledger.publish([StoredForecast(site.id, now + 2, document)])
    with pytest.raises(Conflict, match="the pack carries the pump"):
        say_pulled(bench.ledger, site, plan.id, now)


def test_a_plan_that_nobody_carries_out_is_given_up(bench: Bench) -> None:
    start_test(bench.ledger, bench.site, "owner", PULLED_MS, None, None)
    bench.worker().step(PULLED_MS + 25 * HOUR_MS)
    given_up = bench.ledger.tests(bench.site.id)[0]
    assert given_up.end is EndReason.TIME
    assert given_up.result is None


def test_an_unannounced_rehearsal_is_recognised_once(bench: Bench) -> None:
    bench.live(bench.end_ms)
    worker = bench.worker()
    for _ in range(2):
        worker.noticed([bench.outage(bench.end_ms)])
        worker.step(bench.end_ms)
    (found,) = bench.ledger.tests(bench.site.id)
    assert found.started_by == "recognised"
    assert found.result is not None


def test_a_time_on_the_pack_that_nobody_meant_is_none(bench: Bench) -> None:
    bench.live(bench.end_ms)
    whole = bench.outage(bench.end_ms)
    worker = bench.worker()
    not_full = replace(whole, start_charge_percent=80.0)
    below_floor = replace(whole, lowest_charge_percent=2.0)
    by_night = replace(whole, start_ms=PULLED_MS - 8 * HOUR_MS)
    for outage in (not_full, below_floor, by_night, replace(whole, inferred=True)):
        worker.noticed([outage])
        worker.step(bench.end_ms)
    assert bench.ledger.tests(bench.site.id) == []


def test_what_a_sizing_takes_from_the_ledger(bench: Bench) -> None:
    assert observed_start(bench.ledger, bench.site.id) is None
    assert record(bench.ledger, bench.site, PULLED_MS) is None
    bench.live(bench.end_ms)
    seen = observed_start(bench.ledger, bench.site.id)
    assert seen is not None
    assert seen.started
    start_test(bench.ledger, bench.site, "owner", PULLED_MS, 75.0, None)
    bench.worker().step(bench.end_ms)
    seen = observed_start(bench.ledger, bench.site.id)
    assert seen is not None
    assert seen.started
    assert sleeps(bench.ledger, bench.site.id) is None, "no output power was measured"
    (done,) = bench.ledger.tests(bench.site.id)
    assert done.result is not None
    bench.ledger.save_test(replace(done, result=replace(done.result, sleeps_on_low_load=True)))
    assert sleeps(bench.ledger, bench.site.id) is True


def test_results_whose_readings_are_gone_are_for_a_new_engine(bench: Bench) -> None:
    start_test(bench.ledger, bench.site, "owner", PULLED_MS, 75.0, None)
    bench.live(bench.end_ms)
    bench.worker().step(bench.end_ms)
    assert unread_results(bench.store, bench.ledger, bench.site) == []
    bench.store.prune(bench.end_ms + HOUR_MS)
    assert len(unread_results(bench.store, bench.ledger, bench.site)) == 1
    bench.ledger.prune(bench.end_ms + HOUR_MS)
    assert len(bench.ledger.tests(bench.site.id)) == 1  # kept for ever
