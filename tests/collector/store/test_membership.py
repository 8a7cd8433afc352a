"""Members and leases on a real PostgreSQL: who carries what, and that a former owner can write nothing late."""

from __future__ import annotations

import threading
from collections.abc import Callable, Collection, Iterator
from math import inf

import pytest
from sqlalchemy import Connection, text
from sqlalchemy.exc import OperationalError

from collector.rendezvous import SHARES
from collector.share import share_of
from collector.store import ledger_schema as t
from collector.store.fences import LeaseFence, SitesFence
from collector.store.ledger import SqlLedger
from collector.store.open import open_ledger
from forecaster.domain.errors import Conflict, StaleLease, StoreUnavailable
from forecaster.domain.leases import Lease, MemberTold
from forecaster.domain.records import Checkpoint, StoredForecast
from tests.contracts.ledger_contract import T0, alarm, delivery, run, transition
from tests.engines import wait_until

TOLD = MemberTold("attic", 1, 1, "")
SITE = "larkspur"
SHARE = share_of(SITE, SHARES)


@pytest.fixture
def opened(url: str) -> Iterator[Callable[[], SqlLedger]]:
    """Opens the ledger once more, as another process would."""
    made: list[SqlLedger] = []

    def another() -> SqlLedger:
        ledger = open_ledger(url)
        assert isinstance(ledger, SqlLedger)
        made.append(ledger)
        return ledger

    yield another
    for ledger in made:
        ledger.close()


def run_out(ledger: SqlLedger, *, members: bool = True) -> None:
    """Let the leases, and the heartbeats with them, be older than they may: as if time had passed on the server."""
    with ledger.engine.begin() as connection:
        connection.execute(text("UPDATE leases SET until_ms = until_ms - 21000"))
        if members:
            connection.execute(text("UPDATE members SET beat_ms = beat_ms - 21000"))


def joined(ledger: SqlLedger, name: str, instance: str, shares: list[int]) -> list[Lease]:
    ledger.join("forecast", name, instance, TOLD)
    return ledger.take("forecast", name, instance, shares)


def test_a_lease_is_one_member_s_until_it_is_given_back(opened: Callable[[], SqlLedger]) -> None:
    here, there = opened(), opened()
    first = joined(here, "attic", "one", [1, 2])
    assert [(lease.share, lease.number) for lease in first] == [(1, 1), (2, 1)]
    assert [lease.share for lease in joined(there, "garage", "two", [1, 2, 3])] == [3]
    beat = there.beat("forecast", "garage", "two")
    assert (beat.living, beat.taken) == (("attic", "garage"), frozenset({1, 2}))
    here.give_back("one", first[:1])
    assert there.take("forecast", "garage", "two", [1, 2]) == [Lease("forecast", 1, 2)]
    assert here.beat("forecast", "attic", "one").own == (Lease("forecast", 2, 1),)


def test_what_is_not_kept_by_heartbeats_runs_out_and_what_is_stays(opened: Callable[[], SqlLedger]) -> None:
    ledger = opened()
    joined(ledger, "attic", "one", [1])
    joined(ledger, "garage", "two", [2])
    run_out(ledger)
    ledger.beat("forecast", "garage", "two")
    assert ledger.beat("forecast", "garage", "two").living == ("garage",)
    assert ledger.take("forecast", "office", "three", [1, 2]) == [Lease("forecast", 1, 2)]
    seen = {one.name: one for one in ledger.members()}
    assert (seen["attic"].living, seen["garage"].living) == (False, True)
    assert (seen["attic"].shares, seen["garage"].shares) == ((), (2,))
    assert seen["attic"].silent_s > 20.0


def test_a_heartbeat_tells_when_the_first_lease_of_others_runs_out(opened: Callable[[], SqlLedger]) -> None:
    """In: leases of three members on the server's clock. Out: the time to the end of the first that is another's."""
    ledger = opened()
    joined(ledger, "attic", "one", [1])
    assert ledger.beat("forecast", "attic", "one").others_last_s == inf
    joined(ledger, "garage", "two", [2])
    joined(ledger, "office", "three", [3])
    with ledger.engine.begin() as connection:
        for share, last_ms in ((1, 3_600_000), (2, 9_000_000), (3, 7_200_000)):
            connection.execute(text(f"UPDATE leases SET until_ms = until_ms + {last_ms} WHERE share = {share}"))
    first_ms = "SELECT until_ms - extract(epoch FROM clock_timestamp()) * 1000 FROM leases WHERE share = 3"
    with ledger.engine.connect() as connection:
        before_s = float(connection.execute(text(first_ms)).scalar_one()) / 1000.0
        found_s = ledger.beat("forecast", "attic", "one").others_last_s
        after_s = float(connection.execute(text(first_ms)).scalar_one()) / 1000.0
    assert after_s - 0.002 <= found_s <= before_s + 0.002  # both in whole milliseconds


def test_roles_are_apart(opened: Callable[[], SqlLedger]) -> None:
    ledger = opened()
    joined(ledger, "attic", "one", [1])
    ledger.join("collect", "attic", "two", TOLD)
    assert ledger.take("collect", "attic", "two", [1]) == [Lease("collect", 1, 1)]
    assert ledger.beat("collect", "attic", "two").own == (Lease("collect", 1, 1),)


def test_a_process_takes_over_from_the_one_before_it_of_the_same_name(opened: Callable[[], SqlLedger]) -> None:
    """Killed and started again at once: its own leases need not run out first, and the former process has none."""
    ledger = opened()
    joined(ledger, "attic", "one", [1])
    assert joined(ledger, "attic", "two", [1]) == [Lease("forecast", 1, 2)]
    with pytest.raises(Conflict, match="another process goes by the name attic"):
        ledger.beat("forecast", "attic", "one")


def test_many_take_at_once_and_each_share_has_one_owner(opened: Callable[[], SqlLedger]) -> None:
    ledgers = [opened() for _ in range(4)]
    taken: list[Lease] = []
    begin = threading.Barrier(4)

    def take(number: int) -> None:
        ledgers[number].join("collect", f"m{number}", f"i{number}", TOLD)
        begin.wait(60)
        taken.extend(ledgers[number].take("collect", f"m{number}", f"i{number}", range(1, SHARES + 1)))

    threads = [threading.Thread(target=take, args=(number,)) for number in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted((lease.share, lease.number) for lease in taken) == [(share, 1) for share in range(1, SHARES + 1)]


def test_a_revived_owner_writes_nothing_late(opened: Callable[[], SqlLedger]) -> None:
    """In: an owner that slept while another took over. Out: every write of its is refused, none has a trace."""
    here, there = opened(), opened()
    (old,) = joined(here, "attic", "one", [SHARE])
    fence = SitesFence("one")
    fence.hold(old)
    asleep = here.fenced(fence)
    asleep.publish([StoredForecast(SITE, T0, '{"a":1}', True)])
    run_out(here)
    (new,) = joined(there, "garage", "two", [SHARE])
    assert new.number == old.number + 1
    late = Checkpoint(SITE, "late", T0 + 9, b"late")
    writes: list[Callable[[], object]] = [
        lambda: asleep.publish([StoredForecast(SITE, T0 + 9, '{"late":1}', True)]),
        lambda: asleep.commit_transitions([transition(alarm(7))], [delivery("late")], [late]),
        lambda: asleep.save_checkpoints("engine", [late]),
        lambda: asleep.advance_checkpoints("engine", [SITE], "late"),
        lambda: asleep.record([run(9)]),
        lambda: asleep.note("requests-handled:late", "9"),
    ]
    for write in writes:
        with pytest.raises(StaleLease) as refused:
            write()
        assert refused.value.names == (old.name,)
    assert there.newest([SITE])[SITE].document == '{"a":1}'
    assert there.transitions(SITE, 0, 2**53) == []
    assert there.due("mail", 2**52) == []
    assert there.checkpoint("engine", SITE) is None
    assert there.runs(SITE, 0, 2**52, 10).runs == ()
    assert there.noted("requests-handled:late") is None
    fence.hold(new)  # a number alone is not enough: it is the other process's
    with pytest.raises(StaleLease):
        asleep.publish([StoredForecast(SITE, T0 + 9, '{"late":1}', True)])


def test_a_refused_write_names_all_leases_that_are_another_s(opened: Callable[[], SqlLedger]) -> None:
    """In: a process with three leases, two of which another took; a write about one site of these. Out: both named."""
    here, there = opened(), opened()
    third = next(share for share in range(1, SHARES + 1) if share not in (SHARE, SHARE % SHARES + 1))
    held = joined(here, "attic", "one", [SHARE, SHARE % SHARES + 1, third])
    fence = SitesFence("one")
    for lease in held:
        fence.hold(lease)
    run_out(here)
    joined(there, "garage", "two", [SHARE, SHARE % SHARES + 1])
    with pytest.raises(StaleLease) as caught:
        here.fenced(fence).publish([StoredForecast(SITE, T0, "{}", False)])
    assert sorted(caught.value.names) == sorted(lease.name for lease in held if lease.share != third)


def test_a_lease_that_ran_out_and_that_nobody_took_goes_on(opened: Callable[[], SqlLedger]) -> None:
    ledger = opened()
    (lease,) = joined(ledger, "attic", "one", [SHARE])
    run_out(ledger)
    fenced = ledger.fenced(LeaseFence("one", lease))
    fenced.note("still", "here")
    assert ledger.beat("forecast", "attic", "one").own == (lease,)
    assert ledger.noted("still") == "here"


def test_a_site_whose_lease_nobody_here_holds_is_not_written(opened: Callable[[], SqlLedger]) -> None:
    ledger = opened()
    (lease,) = joined(ledger, "attic", "one", [SHARE % SHARES + 1])
    fence = SitesFence("one")
    fence.hold(lease)
    with pytest.raises(StaleLease):
        ledger.fenced(fence).publish([StoredForecast(SITE, T0, "{}", True)])
    fence.drop(lease.name)
    ledger.fenced(fence).note("of-none", "1")  # of no site, and under no lease: the fence has nothing to ask


class Paused:
    """A fence that stops the writer between the look-up of the number and the write, like SIGSTOP there."""

    def __init__(self, fence: LeaseFence) -> None:
        self.fence, self.inside, self.on = fence, threading.Event(), threading.Event()

    def check(self, connection: Connection, sites: Collection[str] | None, /) -> None:
        self.fence.check(connection, sites)
        self.inside.set()
        assert self.on.wait(120)


def test_an_owner_paused_in_the_middle_of_a_write_neither_blocks_nor_comes_through(
    opened: Callable[[], SqlLedger],
) -> None:
    """In: paused within the transaction, after the look-up. Out: the next one takes over all the same; no late row."""
    here, there = opened(), opened()
    (old,) = joined(here, "attic", "one", [SHARE])
    paused = Paused(LeaseFence("one", old))
    said: list[Exception] = []

    def write() -> None:
        try:
            here.fenced(paused).note("late", "written")
        except StoreUnavailable as error:
            said.append(error)

    writer = threading.Thread(target=write)
    writer.start()
    assert paused.inside.wait(60)
    with there.engine.begin() as connection:  # the row is held; the heartbeat is not
        connection.execute(text("UPDATE members SET beat_ms = 0"))
    there.join("forecast", "garage", "two", TOLD)

    def takes_over() -> bool:
        try:
            with there.engine.begin() as connection:
                connection.execute(text("SET LOCAL lock_timeout = '200ms'"))
                connection.execute(text("UPDATE leases SET until_ms = 0 WHERE instance = 'one'"))
        except OperationalError:  # the row is held still
            return False
        return bool(there.take("forecast", "garage", "two", [SHARE]))

    assert there.take("forecast", "garage", "two", [SHARE]) == []
    wait_until(takes_over, "the end of the transaction that stands idle")
    paused.on.set()
    writer.join(60)
    assert len(said) == 1
    assert there.noted("late") is None


def test_an_owner_paused_after_it_wrote_many_rows_does_not_block(opened: Callable[[], SqlLedger]) -> None:
    """In: as before, but paused after rows that went to the server in one pipeline, where no timer of the server runs
    (seen on PostgreSQL 15). Out: the next one takes over all the same, and none of the rows is there."""
    here, there = opened(), opened()
    (old,) = joined(here, "attic", "one", [SHARE])
    run_out(here)  # beforehand: once its row is held, no test can
    inside, on = threading.Event(), threading.Event()
    said: list[Exception] = []

    def write() -> None:
        def work(connection: Connection) -> None:
            here._put(connection, t.notes, [{"name": name, "value": "late"} for name in ("one", "two")])
            inside.set()
            assert on.wait(120)

        try:
            here.fenced(LeaseFence("one", old))._write(work)
        except StoreUnavailable as error:
            said.append(error)

    writer = threading.Thread(target=write)
    writer.start()
    assert inside.wait(60)
    there.join("forecast", "garage", "two", TOLD)
    wait_until(lambda: bool(there.take("forecast", "garage", "two", [SHARE])), "the lease")
    on.set()
    writer.join(60)
    assert len(said) == 1
    assert there.noted("one") is None
