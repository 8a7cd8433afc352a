"""The daily studies where the ledger is on PostgreSQL: queued by when they are due, worked on, or made as before."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import text

from api.process.members import queue_counts
from api.process.study_queue import QueuedStudies
from collector.clock import SystemClock
from collector.config.settings import load_installation
from collector.store.queue_schema import QueueUnusable
from forecaster.domain.longrecord import StudyRecord
from forecaster.domain.records import StoredForecast
from forecaster.domain.studyjobs import QueueSeen, StudyPriority
from forecaster.health.told import KINDS
from tests.bench.fleet import site_id
from tests.engines import Postgres, running_postgres, wait_until
from tests.faults.studied import PATIENCE_S, Studied, studied


@pytest.fixture(scope="module")
def postgres() -> Iterator[Postgres]:
    with running_postgres() as server:
        yield server


@pytest.fixture
def house(tmp_path: Path, postgres: Postgres) -> Iterator[Studied]:
    with studied(tmp_path, postgres, 3) as made:
        yield made


def worker(house: Studied) -> QueuedStudies:
    sites = load_installation(house.folder).sites
    return QueuedStudies(house.folder, sites, house.ledger, SystemClock())


def test_what_is_due_is_queued_and_sites_on_the_pack_are_more_urgent(house: Studied) -> None:
    now_ms = round(time.time() * 1000)
    for kind in KINDS:
        house.ledger.save_study(StudyRecord(site_id(0), kind, now_ms, now_ms, "{}"))
    house.ledger.save_study(StudyRecord(site_id(1), "days", now_ms, now_ms, "{}"))
    house.ledger.publish([StoredForecast(site_id(2), now_ms, '{"supply": "pack"}', False)])
    jobs = {job.site: job.priority for job in worker(house).jobs()}
    assert jobs == {site_id(1): StudyPriority.DAILY, site_id(2): StudyPriority.ON_PACK}, (
        "one without its last part is due"
    )


@pytest.mark.timeout(3600)  # the children give way to all others
def test_where_nobody_works_on_the_queue_a_worker_is_started_and_ended_when_it_is_empty(house: Studied) -> None:
    studies = worker(house)
    studies.once()
    try:
        house.await_done(house.sites)
        assert house.made() == house.sites
        studies.once()
        wait_until(lambda: house.seen().workers == 0, "the end of the worker", PATIENCE_S)
        assert studies.jobs() == []
    finally:
        studies.stop()


def test_without_the_right_to_make_tables_children_study_as_before(
    house: Studied, monkeypatch: pytest.MonkeyPatch
) -> None:
    studies = worker(house)
    asked = list[list[str]]()

    def refused() -> str:
        raise QueueUnusable("nobody may")

    monkeypatch.setattr(house.ledger, "open_queue", refused)
    monkeypatch.setattr(studies, "study", lambda sites: asked.append(list(sites)))
    studies.once()
    studies.once()
    assert asked == [[site_id(number) for number in range(3)]] * 2
    assert [count.name for count in studies.counts()] == ["outlast_studies", "outlast_studies_failed"]


def test_the_metrics_tell_how_the_queue_stands() -> None:
    seen = QueueSeen(waiting=7, running=2, done=90, failed=1, retried=3, oldest_s=61.5, workers=2)
    found = {(count.name, *(value for _, value in count.labels)): count.value for count in queue_counts(seen)}
    assert found == {
        ("outlast_study_jobs", "waiting"): 7.0,
        ("outlast_study_jobs", "running"): 2.0,
        ("outlast_study_jobs", "done"): 90.0,
        ("outlast_study_jobs", "failed"): 1.0,
        ("outlast_study_jobs", "retried"): 3.0,
        ("outlast_study_oldest_seconds",): 61.5,
        ("outlast_study_workers",): 2.0,
    }
    assert list(queue_counts(None)) == []


def test_a_queue_that_somebody_dropped_is_made_anew(house: Studied) -> None:
    with house.ledger.engine.begin() as connection:
        connection.execute(text(f"DROP SCHEMA {house.queue} CASCADE"))
    assert house.ledger.queue_seen() is None
    assert house.ledger.open_queue() == house.queue
