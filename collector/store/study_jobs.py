"""Those who work on the queue of studies: the library's worker, its retries, and its fence against a revived one.

The library finishes or retries a job by its number alone, whoever has it by now. Here only the attempt that is current
may: a worker that was paused, and whose job was given to another meanwhile, changes nothing.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Coroutine
from datetime import UTC, datetime, timedelta
from typing import Any, Protocol

from procrastinate import App, BaseConnector, BaseRetryStrategy, JobContext, PsycopgConnector, RetryDecision, exceptions
from procrastinate.jobs import Job, Status
from procrastinate.manager import JobManager
from sqlalchemy import URL

from collector.store.fences import end_paused
from collector.store.ledger_queue import QUEUE
from collector.store.open import PATIENCE
from collector.store.queue_schema import STALLED_S
from forecaster.domain.studyjobs import JobTry, StudyJob, StudyPriority

log = logging.getLogger("outlast.studies")

BEAT_S = 5.0
"""Time between two heartbeats of a worker [s]."""

LOOK_S = 2.0
"""How often an idle worker asks for a job [s]."""

RESCUE_S = 10.0
"""How often jobs of silent workers are looked for [s]."""

AGAIN_S = (60, 600, 3600, 21_600)
"""How long a study that failed waits before the next attempt [s]; after the last of them it has failed for good."""

OWN = (
    "SELECT id FROM procrastinate_jobs"
    " WHERE id = %(job_id)s AND attempts = %(attempts)s AND status = 'doing' FOR UPDATE"
)
FINISH = f"SELECT procrastinate_finish_job_v1(own.id, %(status)s, %(delete_job)s) FROM ({OWN}) AS own"
RETRY = f"SELECT procrastinate_retry_job_v2(own.id, %(retry_at)s, NULL, NULL, NULL) FROM ({OWN}) AS own"


class StudyFailed(Exception):
    """A study was not made, for a reason that stands in the ledger; it is tried again."""


class OwnJobs(JobManager):
    """Finishes and retries a job only where the attempt is the current one.

    away : set where the ledger did not take what became of a job. The job is this worker's as long as that one beats,
        so it has to end.
    """

    def __init__(self, connector: BaseConnector) -> None:
        super().__init__(connector)
        self.away = asyncio.Event()

    async def finish_job(self, job: Job, status: Status, delete_job: bool) -> None:
        """End a job; nothing where it was given to another meanwhile."""
        await self._settled(FINISH, job, status=status.value, delete_job=delete_job)

    async def retry_job(
        self,
        job: Job,
        retry_at: datetime | None = None,
        priority: int | None = None,
        queue: str | None = None,
        lock: str | None = None,
    ) -> None:
        """Give a job back to the queue, for later; ended where another one for the same site waits already."""
        del priority, queue, lock
        try:
            await self._settled(RETRY, job, retry_at=retry_at or datetime.now(UTC))
        except exceptions.UniqueViolation:
            await self.finish_job(job, Status.FAILED, delete_job=True)

    async def _settled(self, query: str, job: Job, **what: object) -> None:
        try:
            await self.connector.execute_query_async(query, job_id=job.id, attempts=job.attempts, **what)
        except exceptions.UniqueViolation:
            raise
        except exceptions.ConnectorException as error:
            log.warning("what became of a study waits for the ledger: %s", error.__cause__ or error)
            self.away.set()


class Again(BaseRetryStrategy):
    """Later and later, and not for ever. What was ended because its worker ends is free for others at once."""

    def get_retry_decision(self, *, exception: BaseException, job: Job) -> RetryDecision | None:
        """When to try again; None: never."""
        if isinstance(exception, asyncio.CancelledError):
            return RetryDecision(retry_at=datetime.now(UTC))
        if not isinstance(exception, StudyFailed):
            log.error("a study ended in a fault of the program", exc_info=exception)
        if job.attempts >= len(AGAIN_S):
            return None
        return RetryDecision(retry_at=datetime.now(UTC) + timedelta(seconds=AGAIN_S[job.attempts]))


class Maker(Protocol):
    """Makes the studies that the queue hands out."""

    async def make(self, job: StudyJob, attempt: JobTry) -> None:
        """Make a study. Errors: StudyFailed where that did not work, with the reason left in the ledger."""
        ...

    async def give_up(self, job: StudyJob, attempt: JobTry) -> None:
        """Leave in the ledger that a study ended its worker again and again, and is tried no more."""
        ...


class QueueWork:
    """Work on the queue.

    url : URL — of the ledger; queue : str — the queue's schema; at_once : int — most studies at the same time
    """

    def __init__(self, url: URL, queue: str, at_once: int, maker: Maker) -> None:
        self._queue, self._at_once, self._maker = queue, at_once, maker
        reached: dict[str, Any] = {
            **PATIENCE, **url.translate_connect_args(username="user", database="dbname"), **url.query,
        }  # fmt: skip
        reached["options"] = f'{reached.get("options", "")} -c search_path="{queue}"'.strip()
        self._app = App(connector=PsycopgConnector(kwargs=reached, min_size=1, max_size=at_once + 3, timeout=10.0))
        self._jobs = OwnJobs(self._app.connector)
        self._app.job_manager = self._jobs
        self._app.task(name=QUEUE, queue=QUEUE, retry=Again(), pass_context=True)(self._study)

    async def run(self, grace_s: float) -> None:
        """Work until cancelled, then let what is in hand end, for `grace_s` at most; what is not done is given back.

        It ends by itself where the database is away, for its jobs to be taken up by whoever works next.
        Errors: ConnectorException, psycopg.Error where the database is away.
        """
        async with self._app.open_async():
            parts: tuple[Coroutine[Any, Any, Any], ...] = self._worked(grace_s), self._rescue(), self._jobs.away.wait()
            tasks = [asyncio.create_task(part) for part in parts]
            try:
                await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
            finally:
                for task in tasks:
                    task.cancel()
                await asyncio.wait(tasks)
                errors = [error for task in tasks if not task.cancelled() and (error := task.exception())]
            if errors:
                raise errors[0]

    async def _worked(self, grace_s: float) -> None:
        await self._app.run_worker_async(
            queues=[QUEUE], name="studies", concurrency=self._at_once, fetch_job_polling_interval=LOOK_S,
            listen_notify=False, shutdown_graceful_timeout=grace_s, install_signal_handlers=False,
            update_heartbeat_interval=BEAT_S, stalled_worker_timeout=STALLED_S,
        )  # fmt: skip

    async def _study(self, context: JobContext, site: str, since_ms: int) -> None:
        del site, since_ms
        await self._maker.make(*self._attempt(context.job))

    def _attempt(self, job: Job) -> tuple[StudyJob, JobTry]:
        assert job.id is not None
        site, since_ms = str(job.task_kwargs["site"]), job.task_kwargs["since_ms"]
        assert isinstance(since_ms, int)
        return StudyJob(site, since_ms, StudyPriority(job.priority)), JobTry(self._queue, job.id, job.attempts)

    async def _rescue(self) -> None:
        """Give jobs of workers that have gone silent to others, again and again.

        The session of one that was paused while it wrote is ended first: it would hold the job's row.
        """
        manager = self._app.job_manager
        while True:
            try:
                stalled = list(await manager.get_stalled_jobs(queue=QUEUE, seconds_since_heartbeat=STALLED_S))
                if stalled:
                    await self._app.connector.execute_query_async(end_paused("procrastinate_jobs"))
                for job in stalled:
                    await self._give_back(job)
            except exceptions.ConnectorException as error:
                log.warning("jobs of silent workers wait for the ledger: %s", error.__cause__ or error)
            await asyncio.sleep(RESCUE_S)

    async def _give_back(self, job: Job) -> None:
        wanted, attempt = self._attempt(job)
        if job.attempts < len(AGAIN_S):
            log.warning("site %s: the worker of its study has gone silent; it is given to another", wanted.site)
            await self._app.job_manager.retry_job(job)
            return
        await self._maker.give_up(wanted, attempt)
        await self._app.job_manager.finish_job(job, Status.FAILED, delete_job=False)
