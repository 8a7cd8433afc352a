"""The queue of studies on a real PostgreSQL: what waits, what is urgent, who may still write, and other releases."""

from __future__ import annotations

import asyncio
import gc
from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from procrastinate.exceptions import ConnectorException
from procrastinate.jobs import Job, Status
from sqlalchemy import create_engine, text

from collector.store.fences import JobFence
from collector.store.ledger import SqlLedger
from collector.store.open import open_ledger
from collector.store.queue_schema import QueueUnusable
from collector.store.study_jobs import AGAIN_S, FINISH, Again, QueueWork, StudyFailed
from forecaster.domain.errors import StaleLease
from forecaster.domain.longrecord import StudyRecord
from forecaster.domain.studyjobs import JobTry, StudyJob, StudyPriority
from tests.engines import Postgres


@pytest.fixture
def ledger(postgres: Postgres) -> Iterator[SqlLedger]:
    with closing(open_ledger(postgres.empty_database("queued"))) as opened:
        assert isinstance(opened, SqlLedger)
        yield opened


def daily(*sites: str, since_ms: int = 1_000, priority: StudyPriority = StudyPriority.DAILY) -> list[StudyJob]:
    return [StudyJob(site, since_ms, priority) for site in sites]


class Nobody:
    """A maker of studies that is never asked."""

    async def make(self, job: StudyJob, attempt: JobTry) -> None:
        raise AssertionError(job, attempt)

    async def give_up(self, job: StudyJob, attempt: JobTry) -> None:
        raise AssertionError(job, attempt)


async def fetched(work: QueueWork) -> Job | None:
    manager = work._app.job_manager
    return await manager.fetch_job(queues=None, worker_id=await manager.register_worker())


def test_a_queue_is_made_once_and_beside_the_ledger(ledger: SqlLedger) -> None:
    assert ledger.queue_seen() is None
    name = ledger.open_queue()
    assert name.startswith("outlast_queue_")
    assert ledger.open_queue() == name
    assert ledger.studied("days") == {}, "the ledger's own tables are where they were"
    seen = ledger.queue_seen()
    assert seen is not None
    assert (seen.waiting, seen.workers, seen.oldest_s) == (0, 0, 0.0)


def test_a_site_waits_once_and_what_is_urgent_goes_first(ledger: SqlLedger) -> None:
    """In: three daily ones, then one of them on the pack and another asked for. Out: in the order of their priority."""
    name = ledger.open_queue()
    assert ledger.queue_studies(name, daily("larkspur", "mill", "quarry")) == 3
    assert ledger.queue_studies(name, daily("larkspur")) == 0
    assert ledger.queue_studies(name, daily("mill", priority=StudyPriority.ASKED, since_ms=2_000)) == 0
    assert ledger.queue_studies(name, daily("quarry", priority=StudyPriority.ON_PACK)) == 0
    work = QueueWork(ledger.engine.url, name, 1, Nobody())

    async def order() -> list[str]:
        async with work._app.open_async():
            jobs = [await fetched(work) for _ in range(4)]
            return [str(job.task_kwargs["site"]) for job in jobs if job is not None]

    assert asyncio.run(order()) == ["quarry", "mill", "larkspur"]
    assert ledger.queue_studies(name, daily("larkspur")) == 0, "it is being made"
    assert ledger.queue_studies(name, daily("larkspur", since_ms=5_000)) == 1, "a later one waits for its end"
    ledger.tidy_queue(name, ["mill"])
    seen = ledger.queue_seen()
    assert seen is not None
    assert (seen.waiting, seen.running) == (0, 3), "what waits for a site that is gone goes with it"


def test_one_at_a_time_of_a_site(ledger: SqlLedger) -> None:
    name = ledger.open_queue()
    work = QueueWork(ledger.engine.url, name, 1, Nobody())

    async def two() -> tuple[Job | None, Job | None]:
        async with work._app.open_async():
            ledger.queue_studies(name, daily("larkspur"))
            first = await fetched(work)
            ledger.queue_studies(name, daily("larkspur", since_ms=9_000))
            return first, await fetched(work)

    first, second = asyncio.run(two())
    assert first is not None
    assert second is None


def test_a_revived_worker_writes_and_ends_nothing(ledger: SqlLedger) -> None:
    """In: a job that was given to a second worker. Out: the first may neither write, nor finish, nor retry it."""
    name = ledger.open_queue()
    ledger.queue_studies(name, daily("larkspur"))
    work = QueueWork(ledger.engine.url, name, 1, Nobody())

    async def taken_twice() -> tuple[Job, Job]:
        async with work._app.open_async():
            manager = work._app.job_manager
            first = await fetched(work)
            assert first is not None
            await manager.retry_job(first)
            second = await fetched(work)
            assert second is not None
            await manager.finish_job(first, Status.SUCCEEDED, delete_job=False)
            await manager.retry_job(first)
            return first, second

    first, second = asyncio.run(taken_twice())
    seen = ledger.queue_seen()
    assert seen is not None
    assert (seen.running, seen.done, seen.retried) == (1, 0, 1)
    assert first.id == second.id
    assert first.id is not None
    record = StudyRecord("larkspur", "days", 2_000, 2_000, "{}")
    with pytest.raises(StaleLease):
        ledger.fenced(JobFence(JobTry(name, first.id, first.attempts))).save_study(record)
    assert ledger.studied("days") == {}
    ledger.fenced(JobFence(JobTry(name, first.id, second.attempts))).save_study(record)
    assert ledger.studied("days") == {"larkspur": 2_000}


def test_one_that_fails_waits_longer_each_time_and_is_not_queued_again_for_its_day(ledger: SqlLedger) -> None:
    name = ledger.open_queue()
    ledger.queue_studies(name, daily("larkspur"))

    class Fails(Nobody):
        async def make(self, job: StudyJob, attempt: JobTry) -> None:
            raise StudyFailed(f"{job.site} {attempt.attempts}")

    work = QueueWork(ledger.engine.url, name, 1, Fails())

    async def until_given_up() -> list[int]:
        waits = []
        async with work._app.open_async():
            for _ in range(len(AGAIN_S) + 1):
                await work._app.run_worker_async(wait=False, listen_notify=False, install_signal_handlers=False)
                query = "SELECT round(extract(epoch FROM scheduled_at - now())) AS wait FROM procrastinate_jobs"
                found = await work._app.connector.execute_query_all_async(query)
                waits.append(int(found[0]["wait"] or 0))
                await work._app.connector.execute_query_async("UPDATE procrastinate_jobs SET scheduled_at = NULL")
        return waits

    waits = asyncio.run(until_given_up())
    assert waits[:-1] == pytest.approx(AGAIN_S, rel=0.5)
    seen = ledger.queue_seen()
    assert seen is not None
    assert (seen.waiting, seen.running, seen.failed, seen.retried) == (0, 0, 1, len(AGAIN_S))
    assert ledger.queue_studies(name, daily("larkspur")) == 0
    assert ledger.queue_studies(name, daily("larkspur", since_ms=2_000)) == 1


def test_what_its_worker_gave_back_is_free_at_once() -> None:
    job = Job(queue="studies", lock=None, queueing_lock=None, task_name="studies", attempts=40)
    decision = Again().get_retry_decision(exception=asyncio.CancelledError(), job=job)
    assert decision is not None


@pytest.mark.parametrize(("attempts", "wait_s"), [(0, AGAIN_S[0]), (len(AGAIN_S), None)])
def test_a_fault_of_the_program_waits_as_a_failure_does_and_is_told(
    caplog: pytest.LogCaptureFixture, attempts: int, wait_s: int | None
) -> None:
    job = Job(queue="studies", lock=None, queueing_lock=None, task_name="studies", attempts=attempts)
    before = datetime.now(UTC)
    decision = Again().get_retry_decision(exception=ValueError("no such thing"), job=job)
    assert "no such thing" in caplog.text
    if wait_s is None:
        assert decision is None
    else:
        assert decision is not None
        assert decision.retry_at is not None
        assert decision.retry_at - before >= timedelta(seconds=wait_s)


def test_what_the_ledger_does_not_take_ends_the_worker_and_goes_to_the_next(
    ledger: SqlLedger, caplog: pytest.LogCaptureFixture
) -> None:
    """In: a study made, and the ledger away as its job is to end. Out: it is made again, and nobody shows a trace."""
    name = ledger.open_queue()
    ledger.queue_studies(name, daily("larkspur"))

    class Makes(Nobody):
        async def make(self, job: StudyJob, attempt: JobTry) -> None:
            made.append((job.site, attempt.attempts))
            if attempt.attempts:
                again.set()

    made, again = list[tuple[str, int]](), asyncio.Event()
    first, second = (QueueWork(ledger.engine.url, name, 1, Makes()) for _ in range(2))
    reached = first._app.connector.execute_query_async

    async def away(query: str, **what: Any) -> None:
        if query == FINISH:
            raise ConnectorException("away")
        await reached(query, **what)

    first._app.connector.execute_query_async = away  # type: ignore[method-assign]
    asyncio.run(first.run(1.0))
    gc.collect()
    assert "never retrieved" not in caplog.text

    async def until_made_again() -> None:
        working = asyncio.create_task(second.run(60.0))
        await again.wait()
        working.cancel()
        await asyncio.wait([working])

    asyncio.run(until_made_again())
    assert made == [("larkspur", 0), ("larkspur", 1)]
    seen = ledger.queue_seen()
    assert seen is not None
    assert (seen.running, seen.done) == (0, 1)


def test_a_release_takes_over_what_waits_in_the_queue_of_another(ledger: SqlLedger) -> None:
    """In: tables of another version with one that waits. Out: it waits here, and the tables go when they are idle."""
    name = ledger.open_queue()
    other = "outlast_queue_029900"
    with ledger.engine.begin() as connection:
        connection.execute(text(f"ALTER SCHEMA {name} RENAME TO {other}"))
    ledger.queue_studies(other, daily("larkspur", priority=StudyPriority.ASKED))
    assert ledger.open_queue() == name
    seen = ledger.queue_seen()
    assert seen is not None
    assert seen.waiting == 1
    ledger.open_queue()
    with ledger.engine.begin() as connection:
        ago = text(f"UPDATE {other}.procrastinate_events SET at = now() - interval '2 days'")
        connection.execute(ago)
    ledger.open_queue()
    with ledger.engine.begin() as connection:
        assert connection.execute(text(f"SELECT to_regnamespace('{other}')")).scalar_one() is None
    seen = ledger.queue_seen()
    assert seen is not None
    assert seen.waiting == 1


def test_who_may_not_make_the_tables_is_told_what_to_ask_for(postgres: Postgres) -> None:
    url = postgres.empty_database("guarded")
    engine = create_engine(url)
    with engine.begin() as connection:
        connection.execute(text("DROP ROLE IF EXISTS keeper"))
        connection.execute(text("CREATE ROLE keeper LOGIN"))
        connection.execute(text("GRANT ALL ON SCHEMA public TO keeper"))
    with closing(open_ledger(url.replace("postgres@", "keeper@"))) as opened:
        assert isinstance(opened, SqlLedger)
        with pytest.raises(QueueUnusable, match="CREATE SCHEMA outlast_queue_") as refused:
            opened.open_queue()
        name = refused.value.reason.partition("make the schema ")[2].partition(" ")[0]
        with engine.begin() as connection:
            connection.execute(text(f"CREATE SCHEMA {name} AUTHORIZATION keeper"))
        assert opened.open_queue() == name
    engine.dispose()
