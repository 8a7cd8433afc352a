"""What a worker on the queue of studies makes of its children's answers."""

from __future__ import annotations

import asyncio
from types import SimpleNamespace
from typing import Any, cast

import pytest

from api.process.study_orders import StudyAnswer, StudyOrder
from api.process.study_worker import StudyJobsWorker
from collector.store.study_jobs import StudyFailed
from forecaster.domain.studyjobs import JobTry, StudyJob, StudyPriority
from tests.scenario import HeldClock

JOB, ATTEMPT = StudyJob("larkspur", 1_000, StudyPriority.DAILY), JobTry("queue", 7, 0)


class Answering:
    """Children that give one answer."""

    def __init__(self, answer: StudyAnswer) -> None:
        self._answer = answer

    async def ask(self, order: StudyOrder) -> StudyAnswer:
        assert order.site == JOB.site
        return self._answer


def worker(answer: StudyAnswer) -> StudyJobsWorker:
    services = cast(Any, SimpleNamespace(clock=HeldClock()))
    return StudyJobsWorker(services, cast(Any, None), cast(Any, Answering(answer)))


def counted(of: StudyJobsWorker) -> dict[str, float | None]:
    return {count.name: count.value for count in of.counts()}


def test_a_study_that_another_worker_has_by_now_is_no_failure(caplog: pytest.LogCaptureFixture) -> None:
    one = worker(StudyAnswer("it is another's", lost=True))
    asyncio.run(one.make(JOB, ATTEMPT))
    assert counted(one)["outlast_studies_failed"] == 0.0
    assert "another worker has its study" in caplog.text
    assert "failed" not in caplog.text


def test_a_study_that_was_not_made_is_one(caplog: pytest.LogCaptureFixture) -> None:
    one = worker(StudyAnswer("no days"))
    with pytest.raises(StudyFailed, match="no days"):
        asyncio.run(one.make(JOB, ATTEMPT))
    assert counted(one)["outlast_studies_failed"] == 1.0
    assert "attempt 1: no days" in caplog.text
