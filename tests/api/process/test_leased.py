"""Work that stands and falls with leases: begun and ended as they come and go, tried again, and seen where it hangs."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import pytest

from api.process.leased import HANGING_LOOKS, LeasedTask, LeasedWork, together
from api.process.member import LeaseTime, steady_s
from api.process.parts import Startable
from forecaster.domain.counts import Count
from forecaster.domain.errors import StoreUnavailable
from forecaster.domain.leases import Lease
from tests.engines import wait_until


class Told:
    """A worker that remembers what it was told."""

    def __init__(self, share: int) -> None:
        self.share, self.turned, self.said = share, 0, list[str]()

    def start(self) -> None:
        self.said.append("start")

    def stop(self) -> None:
        self.said.append("stop")

    def wake(self) -> None:
        self.said.append("wake")

    def alive(self) -> bool:
        return True

    def turns(self) -> int | None:
        return self.turned

    def troubles(self) -> list[tuple[str, str]]:
        return [("store", "away")]

    def counts(self) -> list[Count]:
        return [Count("outlast_messages", "counter", "Messages.", float(self.share))]


class Work(LeasedWork):
    """Makes such workers; the ledger is away as often as is asked."""

    def __init__(self, time: LeaseTime) -> None:
        super().__init__("work", time)
        self.made_of: dict[int, Told] = {}
        self.tasks: dict[int, LeasedTask] = {}
        self.away = 0

    def made(self, task: LeasedTask) -> list[Startable]:
        if self.away:
            self.away -= 1
            raise StoreUnavailable("away")
        worker = self.made_of[task.lease.share] = Told(task.lease.share)
        self.tasks[task.lease.share] = task
        return [worker]


@pytest.fixture
def time() -> LeaseTime:
    made = LeaseTime()
    made.renew(steady_s())
    return made


@pytest.fixture
def work(time: LeaseTime) -> Iterator[Work]:
    made = Work(time)
    made.start()
    yield made
    made.stop()


def begun(work: Work, *shares: int) -> Callable[[], bool]:
    return lambda: all(share in work.made_of and "start" in work.made_of[share].said for share in shares)


def test_it_begins_with_a_lease_and_ends_with_it(work: Work) -> None:
    for share in (3, 7):
        work.take(Lease("collect", share, 1))
    wait_until(begun(work, 3, 7), "both")
    assert work.working() == {3, 7}
    work.let_go(3, lost=False)
    wait_until(lambda: work.working() == {7}, "the end of one")
    work.wake()
    assert (work.made_of[3].said, work.made_of[7].said) == (["start", "stop"], ["start", "wake"])
    assert work.troubles() == [("store", "away")]
    assert [count.value for count in work.counts()] == [7.0]
    work.stop()
    assert (work.made_of[7].said[-1], work.working()) == ("stop", frozenset())


def test_what_cannot_begin_is_tried_again(work: Work) -> None:
    work.away = 2
    work.take(Lease("collect", 3, 1))
    wait_until(begun(work, 3), "the third attempt")


def test_a_lost_lease_closes_at_once_and_a_silent_ledger_after_its_time(work: Work, time: LeaseTime) -> None:
    """What is written elsewhere asks first: from the moment of the loss, before the work has ended."""
    for share in (3, 7):
        work.take(Lease("collect", share, 1))
    wait_until(begun(work, 3, 7), "both")
    work.let_go(3, lost=True)
    assert [work.tasks[share].leased() for share in (3, 7)] == [False, True]
    time.renew(steady_s() - 20.0)  # the last heartbeat that was answered
    assert not work.tasks[7].leased()


def test_one_that_hangs_among_many_is_seen_and_one_that_is_slow_is_not(work: Work) -> None:
    for share in (3, 7):
        work.take(Lease("collect", share, 1))
    wait_until(begun(work, 3, 7), "both")
    for look in range(3 * HANGING_LOOKS):  # each moves only now and then, and never both at the same time
        work.made_of[(3, 7)[look % 2]].turned += 1
        before = work.turns()
    assert work.turns() > before
    for _ in range(HANGING_LOOKS):
        work.made_of[7].turned += 1
        work.turns()
    before = work.turns()
    work.made_of[7].turned += 1
    assert work.turns() == before


def test_counts_are_added_and_the_worst_is_told() -> None:
    one, other = Count("outlast_connected", "gauge", "", 1.0), Count("outlast_connected", "gauge", "", 0.0)
    assert together(one, other).value == 0.0
    sum_of = together(Count("outlast_messages", "counter", "", 2.0), Count("outlast_messages", "counter", "", 3.0))
    assert sum_of.value == 5.0
    assert together(Count("outlast_message_age_seconds", "gauge", "", 2.0), one._replace(value=None)).value == 2.0
