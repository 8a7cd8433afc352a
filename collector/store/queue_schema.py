"""The tables of the queue of studies: made by the program itself, in a schema of their own beside the ledger's.

The name of the schema holds the version of the queue's tables, as the library counts them. A release with newer ones
makes a schema of its own and takes over what waits in the others, so that workers of two releases run side by side, and
a step back finds its tables as they were. Nothing in them is a record: what is due is found again from the ledger.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from sqlalchemy import Connection, text
from sqlalchemy.schema import CreateSchema, DropSchema

from forecaster.domain.errors import StoreUnavailable
from forecaster.texts.catalogue import words

KIND = "_queue_"
PUBLIC = "public"

STALLED_S = 30
"""How long a worker may be silent before its jobs are given to others [s]: six of its heartbeats."""

LIVING = f"last_heartbeat > now() - interval '{STALLED_S} s'"

DROPPED_H = 24
"""How long nobody has worked on another release's queue when it is dropped [h]."""

OPEN = f"""
    UPDATE procrastinate_jobs AS j
       SET status = CASE status WHEN 'todo' THEN 'cancelled' ELSE 'failed' END::procrastinate_job_status
     WHERE status = 'todo' OR (status = 'doing' AND NOT EXISTS (
           SELECT 1 FROM procrastinate_workers AS w WHERE w.id = j.worker_id AND {LIVING}))
    RETURNING args, priority"""


class QueueUnusable(StoreUnavailable):
    """The tables of the queue cannot be made here; studies are then made as where there is no queue."""


def prefix(connection: Connection) -> str:
    """How the names of all queues of this ledger begin: two ledgers of one database differ in their own schema."""
    own: str = connection.execute(text("SELECT current_schema()")).scalar_one()
    return f"{'outlast' if own == PUBLIC else own}{KIND}"


def name_of(connection: Connection) -> str:
    """The name of this release's queue. Errors: QueueUnusable where the library is not installed."""
    try:
        from procrastinate.schema import SchemaManager
    except ModuleNotFoundError as error:
        raise QueueUnusable(words()("store.the_library_of_the_queue", error=str(error.name))) from error
    newest = max(path.name for path in Path(SchemaManager.get_migrations_path()).glob("*.sql"))
    return prefix(connection) + newest.partition("_")[0].replace(".", "")


def standing(connection: Connection) -> list[str]:
    """The names of the queues of this ledger that have tables, the newest version last."""
    found = text(
        "SELECT n.nspname FROM pg_namespace n JOIN pg_class c ON c.relnamespace = n.oid"
        " WHERE c.relname = 'procrastinate_jobs' AND starts_with(n.nspname, :prefix) ORDER BY 1"
    )
    return list(connection.execute(found, {"prefix": prefix(connection)}).scalars())


def enter(connection: Connection, name: str) -> None:
    """Let the rest of the transaction see the tables of a queue, and none of the ledger's."""
    connection.execute(text("SELECT set_config('search_path', :name, true)"), {"name": f'"{name}"'})


def make(connection: Connection, name: str) -> None:
    """Make the tables of a queue. Errors: QueueUnusable where nobody lets this user do so."""
    from procrastinate.schema import SchemaManager

    known = text("SELECT to_regnamespace(:name) IS NOT NULL")
    allowed = text("SELECT has_database_privilege(current_database(), 'CREATE')")
    if not connection.execute(known, {"name": f'"{name}"'}).scalar_one():
        if not connection.execute(allowed).scalar_one():
            raise QueueUnusable(words()("store.no_schema_for_the_queue", name=name))
        connection.execute(CreateSchema(name))
    enter(connection, name)
    driver = connection.connection.driver_connection
    assert driver is not None
    driver.execute(SchemaManager.get_schema())


def taken_over(connection: Connection, name: str) -> Iterator[tuple[str, int, int]]:
    """What waited in queues of other releases, or was left by workers that are gone: site, since when, priority.

    It waits there no longer. A queue that nobody has worked on for a day is dropped.
    """
    idle = text(
        "SELECT NOT EXISTS (SELECT 1 FROM procrastinate_workers"
        f" WHERE last_heartbeat > now() - interval '{DROPPED_H} h') AND NOT EXISTS ("
        f"SELECT 1 FROM procrastinate_events WHERE at > now() - interval '{DROPPED_H} h')"
    )
    for other in standing(connection):
        if other == name:
            continue
        enter(connection, other)
        for args, priority in connection.execute(text(OPEN)).all():
            yield args["site"], args["since_ms"], priority
        if connection.execute(idle).scalar_one():
            connection.execute(DropSchema(other, cascade=True))
