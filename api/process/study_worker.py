"""Works on the queue of studies, as one of those who have joined: it hands jobs to children that have the libraries."""

from __future__ import annotations

import asyncio
import logging
from contextlib import suppress

import psycopg
from procrastinate.exceptions import ConnectorException

from api.process.services import Services
from api.process.studies import study_counts
from api.process.study_children import ChildEnded, StudyChildren
from api.process.study_orders import StudyAnswer, StudyOrder
from collector.store.fences import JobFence
from collector.store.ledger import SqlLedger
from collector.store.study_jobs import QueueWork, StudyFailed
from forecaster.domain.counts import Count
from forecaster.domain.errors import StaleLease, StoreError
from forecaster.domain.studyjobs import JobTry, StudyJob
from forecaster.live.looping import LoopThread
from forecaster.texts.catalogue import words

log = logging.getLogger("outlast.studies")
logging.getLogger("procrastinate").setLevel(logging.CRITICAL)  # what it says of each job is said here, in a line

GRACE_S = 20.0
"""How long the end waits for studies in hand [s]; those that are not done by then go to another worker."""

STOP_S = 60.0
"""How long the end may take in all [s]."""

WAIT_S = 5.0
"""How long it waits for the ledger, before it tries again [s]."""


class StudyJobsWorker(LoopThread):
    """Takes studies from the queue, the most urgent first, and has them made by children.

    ledger : SqlLedger — on PostgreSQL
    """

    def __init__(self, services: Services, ledger: SqlLedger, children: StudyChildren) -> None:
        super().__init__("study-jobs")
        self._services, self._ledger, self._children = services, ledger, children
        self._loop: asyncio.AbstractEventLoop | None = None
        self._running: asyncio.Task[None] | None = None
        self._trouble: str | None = None
        self._done = self._failed = self._again = 0

    def stop(self, timeout_s: float = STOP_S) -> None:
        """Let the studies in hand end, give back what is not done, and end."""
        super().stop(timeout_s)

    def end(self) -> None:
        """Ask it to end."""
        super().end()
        if self._loop is not None:
            with suppress(RuntimeError):  # its loop is closed, as it has just ended by itself
                self._loop.call_soon_threadsafe(self._cut)

    def turns(self) -> None:
        """Not reported: a slow study is no fault of this process, and each has its own limit."""

    def troubles(self) -> list[tuple[str, str]]:
        """What is wrong at the moment, as (who, what)."""
        return [] if self._trouble is None else [("studies", self._trouble)]

    def counts(self) -> list[Count]:
        """For the metrics."""
        return [
            *study_counts(self._done + self._failed, self._failed),
            Count("outlast_studies_retried", "counter", "Of those, how many were tried again.", float(self._again)),
        ]

    # -- the maker of studies
    async def make(self, job: StudyJob, attempt: JobTry) -> None:
        """Have a child make a study. Errors: StudyFailed, with the reason left in the ledger."""
        self._again += attempt.attempts > 0
        try:
            told = await self._children.ask(StudyOrder(job.site, job.since_ms, self._services.clock.now_ms(), attempt))
        except (ChildEnded, OSError) as error:
            told = StudyAnswer(str(error))
            await asyncio.to_thread(self._note, job, attempt, str(error))
        if told.lost:
            log.warning("site %s: another worker has its study by now", job.site)
            return
        if told.problem is None:
            self._done += 1
            return
        self._failed += 1
        log.warning("site %s: its study failed, attempt %d: %s", job.site, attempt.attempts + 1, told.problem)
        raise StudyFailed(told.problem)

    async def give_up(self, job: StudyJob, attempt: JobTry) -> None:
        """Leave in the ledger that a study ended its workers again and again."""
        self._failed += 1
        why = words()("fault.its_workers_ended", tries=attempt.attempts + 1)
        log.error("site %s: %s", job.site, why)
        await asyncio.to_thread(self._note, job, attempt, why)

    def _note(self, job: StudyJob, attempt: JobTry, why: str) -> None:
        try:
            self._ledger.fenced(JobFence(attempt)).fail_study(job.site, "days", why)
        except StaleLease:
            log.warning("site %s: another worker has its study by now", job.site)
        except StoreError as error:
            log.warning("site %s: why its study failed is not kept: %s", job.site, error)

    # -- the thread
    def _work(self) -> None:
        while not self._ending.is_set():
            try:
                asyncio.run(self._run())
            except (ConnectorException, psycopg.Error, StoreError) as error:
                if self._trouble is None:
                    log.warning("the queue of studies waits for the ledger: %s", error.__cause__ or error)
                self._trouble = words()("fault.ledger", error=str(error.__cause__ or error))
                self._ending.wait(WAIT_S)

    async def _run(self) -> None:
        queue = await asyncio.to_thread(self._ledger.open_queue)
        self._trouble = None
        work = QueueWork(self._ledger.engine.url, queue, self._services.installation.studies.at_once, self)
        self._running = asyncio.create_task(work.run(GRACE_S))
        self._loop = asyncio.get_running_loop()
        if self._ending.is_set():
            self._cut()
        try:
            with suppress(asyncio.CancelledError):
                await self._running
        finally:
            self._loop = None
            await self._children.close()

    def _cut(self) -> None:
        if self._running is not None:
            self._running.cancel()
