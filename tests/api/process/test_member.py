"""A member on a real PostgreSQL: what its holders are told when leases change hands behind its back."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from sqlalchemy import text

from api.process.member import LeaseTime, MemberWorker
from collector.rendezvous import SHARES, carried_by
from collector.store.ledger import SqlLedger
from collector.store.open import open_ledger
from forecaster.domain.leases import Lease, MemberTold
from tests.engines import running_postgres, wait_until

ROLE, TOLD = "forecast", MemberTold("attic", 1, 1, "")


class Slow:
    """A holder that goes on with its work until a test lets it end, and remembers what it was told."""

    def __init__(self) -> None:
        self.held, self.told = set[int](), dict[int, bool]()

    def take(self, lease: Lease) -> None:
        self.held.add(lease.share)

    def let_go(self, share: int, *, lost: bool) -> None:
        self.told[share] = lost

    def working(self) -> frozenset[int]:
        return frozenset(self.held)


@pytest.fixture
def ledger() -> Iterator[SqlLedger]:
    with running_postgres() as server:
        made = open_ledger(server.url)
        assert isinstance(made, SqlLedger)
        yield made
        made.close()


def test_a_share_that_another_took_while_it_is_let_go_is_lost(ledger: SqlLedger) -> None:
    """In: a member that is to let some shares go to another and takes its time, as when it is paused, until their
    leases have run out and the other has them. Out: its holder is told that they are lost."""
    holder, shares = Slow(), range(1, SHARES + 1)
    worker = MemberWorker(ledger, ROLE, "attic", TOLD, "one", dict.fromkeys(shares, holder), LeaseTime())
    worker.start()
    try:
        wait_until(lambda: holder.held == set(shares), "all shares")
        ledger.join(ROLE, "garage", "two", TOLD)
        others = carried_by("garage", ROLE, shares, ("attic", "garage"))
        wait_until(lambda: holder.told == dict.fromkeys(others, False), "what it is to let go")
        with ledger.engine.begin() as connection:
            connection.execute(text("UPDATE leases SET owner = 'garage', instance = 'two', number = number + 1"))
        wait_until(lambda: holder.told == dict.fromkeys(shares, True), "what it has lost")
        holder.held.clear()
    finally:
        worker.stop()
