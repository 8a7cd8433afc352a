"""What a worker tells the queue of studies about a job, without a database."""

from __future__ import annotations

import asyncio
from datetime import UTC, datetime
from typing import Any

from procrastinate.exceptions import ConnectorException, UniqueViolation
from procrastinate.jobs import Job
from procrastinate.testing import InMemoryConnector

from collector.store.study_jobs import FINISH, RETRY, OwnJobs

JOB = Job(id=7, queue="studies", lock=None, queueing_lock="larkspur", task_name="studies", attempts=2)
AT = datetime(2026, 3, 3, tzinfo=UTC)


class Refusing(InMemoryConnector):
    """Refuses to give a job back."""

    def __init__(self, error: ConnectorException) -> None:
        super().__init__()
        self._error = error
        self.asked: list[tuple[str, dict[str, Any]]] = []

    async def execute_query_async(self, query: str, **arguments: Any) -> None:
        self.asked.append((query, arguments))
        if query == RETRY:
            raise self._error


RETRIED = (RETRY, {"job_id": 7, "attempts": 2, "retry_at": AT})


def given_back(error: ConnectorException) -> tuple[Refusing, bool]:
    """What was asked, and whether the worker has to end."""
    connector = Refusing(error)

    async def give_back() -> bool:
        jobs = OwnJobs(connector)
        await jobs.retry_job(JOB, AT)
        return jobs.away.is_set()

    return connector, asyncio.run(give_back())


def test_a_job_is_taken_out_of_the_queue_where_another_for_its_site_waits_already() -> None:
    """It counts as failed, leaves no row behind, and its worker goes on."""
    connector, away = given_back(UniqueViolation(constraint_name="queueing_lock", queueing_lock="larkspur"))
    ended = (FINISH, {"job_id": 7, "attempts": 2, "status": "failed", "delete_job": True})
    assert connector.asked == [RETRIED, ended]
    assert not away


def test_a_worker_ends_where_the_ledger_does_not_take_a_job_back() -> None:
    connector, away = given_back(ConnectorException("away"))
    assert connector.asked == [RETRIED]
    assert away
