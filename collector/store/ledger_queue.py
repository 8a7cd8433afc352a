"""The queue of studies in the ledger's database: what is due is put in, and how it stands is read out.

Those who work on it (`collector.store.study_jobs`) and the library's own functions do the rest.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from typing import Any

from sqlalchemy import Connection, and_, bindparam, func, select, text

from collector.store import ledger_schema as t
from collector.store import queue_schema as q
from collector.store.ledger_base import MIGRATION_LOCK, LedgerBase
from forecaster.domain.errors import StoreUnavailable
from forecaster.domain.studyjobs import QueueSeen, StudyJob, StudyPriority
from forecaster.texts.catalogue import words

QUEUE = "studies"
"""The name of the queue, and of the task, in its tables."""

KEPT_H = 48
"""How long what became of a job is kept [h]: a failed one is not queued anew for the same day."""

BATCH = 500
"""Jobs handed to the database in one call."""

STANDING = text(
    "SELECT id, queueing_lock, status::text, priority, (args->>'since_ms')::bigint FROM procrastinate_jobs"
    " WHERE status IN ('todo', 'doing', 'failed')"
)
LIFT = text(
    "UPDATE procrastinate_jobs SET priority = :priority, scheduled_at = NULL WHERE id = :id AND status = 'todo'"
)
GONE = text("DELETE FROM procrastinate_jobs WHERE status = 'todo' AND queueing_lock NOT IN :sites").bindparams(
    bindparam("sites", expanding=True)
)
OLD = text(
    "DELETE FROM procrastinate_jobs AS j WHERE status NOT IN ('todo', 'doing') AND NOT EXISTS ("
    f"SELECT 1 FROM procrastinate_events AS e WHERE e.job_id = j.id AND e.at > now() - interval '{KEPT_H} h')"
)
SEEN = text(
    "SELECT count(*) FILTER (WHERE status = 'todo'), count(*) FILTER (WHERE status = 'doing'),"
    " count(*) FILTER (WHERE status = 'succeeded'), count(*) FILTER (WHERE status = 'failed'),"
    " coalesce(sum(attempts - CASE WHEN status IN ('succeeded', 'failed') AND attempts > 0 THEN 1 ELSE 0 END), 0),"
    " (SELECT extract(epoch FROM now() - min(e.at)) FROM procrastinate_events AS e JOIN procrastinate_jobs AS w"
    "  ON w.id = e.job_id AND w.status = 'todo' AND e.type = 'deferred'),"
    f" (SELECT count(*) FROM procrastinate_workers WHERE {q.LIVING}) FROM procrastinate_jobs"
)


class StudyQueue(LedgerBase):
    """The part of the ledger that queues studies; only on PostgreSQL. Errors: StoreError from all methods."""

    def studied_whole(self, kinds: Collection[str], site: str | None = None) -> dict[str, int]:
        """When the oldest of the newest good results of some studies was made [ms], for sites that have all of them.

        site : str | None — of this site alone; None: of all
        """
        s = t.studies.c
        asked = s.kind.in_(kinds) if site is None else and_(s.kind.in_(kinds), s.site == site)
        query = select(s.site, func.min(s.made_ms)).where(asked).group_by(s.site)
        return dict(self._pairs(query.having(func.count() == len(kinds))))

    def open_queue(self) -> str:
        """Make the queue where there is none, and take over what waits in those of other releases. Returns its name.

        Errors: QueueUnusable where the library or the right to make tables is missing.
        """

        def work(connection: Connection) -> str:
            connection.execute(text("SELECT pg_advisory_xact_lock(:lock)"), {"lock": MIGRATION_LOCK})
            name = q.name_of(connection)
            if name not in q.standing(connection):
                q.make(connection, name)
                connection.execute(text("SET LOCAL search_path TO DEFAULT"))
            self._defer(connection, name, [_job(*row) for row in q.taken_over(connection, name)])
            return name

        return self._write(work)

    def queue_studies(self, name: str, jobs: Sequence[StudyJob]) -> int:
        """Queue studies; returns how many were added. name : str — of the queue

        A site's study waits once: one that waits already is only made more urgent. One that failed for good is not
        queued again for the same time.
        """

        def work(connection: Connection) -> int:
            connection.execute(text("SELECT pg_advisory_xact_lock(:lock)"), {"lock": MIGRATION_LOCK})
            return self._defer(connection, name, jobs)

        return self._write(work)

    def tidy_queue(self, name: str, sites: Collection[str]) -> None:
        """Take out what waits for sites that are no longer there, and forget what is long done."""

        def work(connection: Connection) -> None:
            q.enter(connection, name)
            connection.execute(GONE, {"sites": sorted(sites)})
            connection.execute(OLD)

        self._write(work)

    def queue_seen(self) -> QueueSeen | None:
        """How the queue stands, that of the newest tables; None where there is none."""
        if self._engine.dialect.name != "postgresql":
            return None

        def work(connection: Connection) -> QueueSeen | None:
            names = q.standing(connection)
            if not names:
                return None
            q.enter(connection, names[-1])
            waiting, running, done, failed, retried, oldest_s, workers = connection.execute(SEEN).one()
            return QueueSeen(waiting, running, done, failed, int(retried), float(oldest_s or 0.0), workers)

        return self._read(work)

    def _defer(self, connection: Connection, name: str, jobs: Iterable[StudyJob]) -> int:
        q.enter(connection, name)
        waiting: dict[str, tuple[int, int]] = {}
        over = set[tuple[str, int]]()
        for number, site, status, priority, since_ms in connection.execute(STANDING):
            if status == "todo":
                waiting[site] = (number, priority)
            else:
                over.add((site, since_ms))
        fresh: dict[str, StudyJob] = {}
        for job in jobs:
            number, priority = waiting.get(job.site, (None, 0))
            if number is None and (job.site, job.since_ms) not in over:
                fresh[job.site] = max(job, fresh.get(job.site, job), key=lambda one: one.priority)
            elif number is not None and priority < job.priority:
                connection.execute(LIFT, {"id": number, "priority": int(job.priority)})
        _put_in(connection, list(fresh.values()))
        return len(fresh)


def _job(site: str, since_ms: int, priority: int) -> StudyJob:
    return StudyJob(site, since_ms, StudyPriority(priority))


def _put_in(connection: Connection, jobs: Sequence[StudyJob]) -> None:
    """Hand jobs to the library, within the transaction."""
    from procrastinate import SyncPsycopgConnector
    from procrastinate.exceptions import ProcrastinateException
    from procrastinate.jobs import Job
    from procrastinate.manager import JobManager

    driver: Any = connection.connection.driver_connection
    manager = JobManager(SyncPsycopgConnector())
    try:
        for first in range(0, len(jobs), BATCH):
            made = [
                Job(
                    queue=QUEUE, task_name=QUEUE, lock=job.site, queueing_lock=job.site, priority=int(job.priority),
                    task_kwargs={"site": job.site, "since_ms": job.since_ms},
                )
                for job in jobs[first : first + BATCH]
            ]  # fmt: skip
            manager.batch_defer_jobs(made, connection=driver)
    except ProcrastinateException as error:
        raise StoreUnavailable(words()("store.the_ledger_cannot_be_reached", first=str(error))) from error
