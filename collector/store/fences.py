"""Fences: a transaction that writes under leases first looks up their numbers, and holds their rows until it ends."""

from __future__ import annotations

import threading
from collections.abc import Collection, Iterable, Mapping

from sqlalchemy import Connection, Text, and_, cast, column, select, table, text

from collector.rendezvous import SHARES
from collector.share import share_of
from collector.store import ledger_schema as t
from forecaster.domain.errors import StaleLease
from forecaster.domain.leases import Lease
from forecaster.domain.studyjobs import JobTry
from forecaster.texts.catalogue import words

PAUSED_S = 8
"""How long a transaction under a lease may be idle [s]: a process that is paused within one must not keep the row from
those who take over. Shorter than a lease lasts. The server ends such a session by itself, except after statements that
came as a pipeline (psycopg's `executemany`): there it starts no timer, and whoever takes over has to end it."""


class LeaseFence:
    """Lets a writer through while a certain lease is this instance's, whichever sites it writes about."""

    def __init__(self, instance: str, lease: Lease) -> None:
        self._instance, self._lease = instance, lease

    def check(self, connection: Connection, _sites: Collection[str] | None, /) -> None:
        """Hold the lease's row until the transaction ends. Errors: StaleLease where this instance has it no longer."""
        require(connection, self._instance, [self._lease])


class SitesFence:
    """Lets a writer through while the leases of all sites that it writes about are this instance's."""

    def __init__(self, instance: str) -> None:
        self._instance = instance
        self._lock = threading.Lock()
        self._held: Mapping[int, Lease] = {}

    def hold(self, lease: Lease) -> None:
        """Write about the sites of the lease's share under this lease from now on."""
        with self._lock:
            self._held = {**self._held, lease.share: lease}

    def drop(self, name: str) -> None:
        """Write nothing more under the lease of this name. name : str — `Lease.name`"""
        with self._lock:
            self._held = {share: lease for share, lease in self._held.items() if lease.name != name}

    def check(self, connection: Connection, sites: Collection[str] | None, /) -> None:
        """Hold the rows of the sites' leases until the transaction ends.

        sites : Collection[str] | None — ids; None: it is about no site in particular, and all held leases are required
        Errors: StaleLease where this instance lacks one of them; it names all held leases that are another's by now,
        so that a process that was paused learns of all of them at once.
        """
        held = self._held
        if sites is None:
            require(connection, self._instance, held.values())
            return
        shares = {share_of(site, SHARES) for site in sites}
        if not shares <= held.keys():
            raise _stale(f"share {share}" for share in sorted(shares - held.keys()))
        try:
            require(connection, self._instance, [held[share] for share in shares])
        except StaleLease:
            require(connection, self._instance, held.values())
            raise


class JobFence:
    """Lets a writer through while an attempt at a job of the queue is the current one, whichever sites it writes about.

    Whoever gives the job to another raises the number of its attempts, for which it waits until the transaction ends.
    """

    def __init__(self, attempt: JobTry) -> None:
        jobs = table("procrastinate_jobs", column("id"), column("attempts"), column("status"), schema=attempt.queue)
        mine = and_(jobs.c.id == attempt.job, jobs.c.attempts == attempt.attempts)
        self._own = select(jobs.c.id).where(mine, cast(jobs.c.status, Text) == "doing").with_for_update(read=True)
        self._name = f"{attempt.queue} {attempt.job}"

    def check(self, connection: Connection, _sites: Collection[str] | None, /) -> None:
        """Hold the job's row until the transaction ends. Errors: StaleLease where the job is another's by now."""
        _soon(connection)
        if connection.execute(self._own).scalar_one_or_none() is None:
            raise _stale([self._name])


def require(connection: Connection, instance: str, leases: Collection[Lease]) -> None:
    """Hold the rows of leases until the transaction ends.

    leases : all of one role; where there are none, nothing is checked
    Errors: StaleLease where one of them is not this instance's, or its number has moved on.
    """
    if not leases:
        return
    _soon(connection)
    (role,) = {lease.role for lease in leases}
    row = t.leases.c
    shares = sorted(lease.share for lease in leases)
    own = select(row.share, row.number).where(row.role == role, row.share.in_(shares), row.instance == instance)
    found = {
        (share, number) for share, number in connection.execute(own.order_by(row.share).with_for_update(read=True))
    }
    gone = [lease.name for lease in leases if (lease.share, lease.number) not in found]
    if gone:
        raise _stale(gone)


def end_paused(table_name: str) -> str:
    """The statement that ends the sessions of this user that hold rows of a table and have waited PAUSED_S for their
    client: those of members that were paused, or cut off, within a transaction."""
    return f"""
    SELECT pg_terminate_backend(pid) FROM pg_stat_activity AS session
    WHERE usename = current_user AND datname = current_database()
      AND xact_start IS NOT NULL AND wait_event_type = 'Client'
      AND state_change < clock_timestamp() - interval '{PAUSED_S} s'
      AND EXISTS (
        SELECT FROM pg_locks WHERE pg_locks.pid = session.pid AND relation = '{table_name}'::regclass
          AND mode IN ('RowShareLock', 'RowExclusiveLock')
      )"""


def _soon(connection: Connection) -> None:
    connection.execute(text(f"SET LOCAL idle_in_transaction_session_timeout = '{PAUSED_S}s'"))


def _stale(names: Iterable[str]) -> StaleLease:
    gone = tuple(names)
    return StaleLease(gone, words()("members.another_carries", names=", ".join(gone)))
