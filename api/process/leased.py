"""Work that is done only while a lease is held: workers that are made, started and ended as leases come and go."""

from __future__ import annotations

import logging
import threading
from abc import abstractmethod
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field

from api.process.member import LeaseTime
from api.process.parts import Startable
from forecaster.domain.counts import Count
from forecaster.domain.errors import StoreError
from forecaster.domain.leases import Lease
from forecaster.live.lasting import spare_lasting
from forecaster.live.looping import LoopThread

log = logging.getLogger("outlast.members")

LOOK_S = 1.0
"""How long the thread waits between two looks at what is to begin or end [s]."""
HANGING_LOOKS = 15
"""Calls of `turns`, one every two seconds, without a turn of a worker after which it is taken to hang: by then it is
not merely waiting for the others."""

LOWEST = frozenset({"outlast_connected"})
"""Gauges of which the lowest value is reported for all workers together; others are added up."""


@dataclass(slots=True)
class LeasedTask:
    """The workers of one lease, and whether this process still has it.

    They ask `leased` before they write anywhere but to the ledger, which checks the lease itself.
    time : LeaseTime — of the member; lost : Event — set where the lease is another's
    """

    lease: Lease
    time: LeaseTime
    workers: Sequence[Startable] = ()
    lost: threading.Event = field(default_factory=threading.Event)

    def leased(self) -> bool:
        """Whether this process still has the lease, so that nobody else can have it."""
        return not self.lost.is_set() and self.time.lasts()


class LeasedWork(LoopThread):
    """The Holder of one or more shares, which begins and ends the work of their leases in a thread of its own."""

    def __init__(self, name: str, time: LeaseTime) -> None:
        super().__init__(name)
        self._time = time
        self._moves = threading.Lock()
        self._coming: dict[int, LeasedTask] = {}
        self._standing: dict[int, LeasedTask] = {}
        self._going: set[int] = set()
        self._seen: dict[int, tuple[int, int]] = {}
        self._turned = 0

    @abstractmethod
    def made(self, task: LeasedTask) -> list[Startable]:
        """The workers of a task, in the order in which they start. Errors: StoreError; it is then tried again."""

    # -- the Holder
    def take(self, lease: Lease) -> None:
        """Begin the work of a lease, soon after the call."""
        with self._moves:
            self._coming[lease.share] = LeasedTask(lease, self._time)
        super().wake()

    def let_go(self, share: int, *, lost: bool) -> None:
        """End the work of a share, soon after the call.

        lost : bool — the lease is another's already: nothing more may be written or sent
        """
        with self._moves:
            coming = self._coming.pop(share, None)
            for task in (one for one in (coming, self._standing.get(share)) if one is not None and lost):
                task.lost.set()
            if share in self._standing:
                self._going.add(share)
        super().wake()

    def working(self) -> frozenset[int]:
        """The shares whose work runs, or is about to begin."""
        with self._moves:
            return frozenset({*self._coming, *self._standing})

    # -- the worker
    def wake(self) -> None:
        """Tell all workers that the store or the ledger has news."""
        for worker in self._workers():
            worker.wake()

    def stop(self, timeout_s: float = 60.0) -> None:
        """End all work, and the thread; waits for that at most `timeout_s` [s]."""
        super().stop(timeout_s)

    def alive(self) -> bool:
        """Whether its thread runs, and those of all workers that it has begun and not been asked to end."""
        return super().alive() and all(worker.alive() for worker in self._workers(ended=False))

    def turns(self) -> int:
        """A number that rises with each call, until a worker has made no turn for HANGING_LOOKS calls in a row."""
        seen: dict[int, tuple[int, int]] = {}
        for worker in self._workers(ended=False):
            turns = worker.turns()
            if turns is not None:
                before, still = self._seen.get(id(worker), (turns - 1, 0))
                seen[id(worker)] = (turns, still + 1 if turns == before else 0)
        self._seen = seen
        if all(still < HANGING_LOOKS for _, still in seen.values()):
            self._turned += 1
        return self._turned

    def troubles(self) -> list[tuple[str, str]]:
        """What is wrong with any worker, each trouble once: pairs of the worker and the trouble."""
        return list(dict.fromkeys(trouble for worker in self._workers() for trouble in worker.troubles()))

    def counts(self) -> list[Count]:
        """The counts of all workers, for the metrics: one for each name and labels, by `together`."""
        found: dict[tuple[str, tuple[tuple[str, str], ...]], Count] = {}
        for count in (count for worker in self._workers() for count in worker.counts()):
            key = (count.name, count.labels)
            found[key] = together(found[key], count) if key in found else count
        return list(found.values())

    def _workers(self, *, ended: bool = True) -> list[Startable]:
        with self._moves:
            tasks = [task for share, task in self._standing.items() if ended or share not in self._going]
            return [worker for task in tasks for worker in task.workers]

    # -- the thread
    def _work(self) -> None:
        while not self._ending.is_set():
            self._woken.clear()
            self._end(sorted(self._going))
            coming = sorted(self._coming)
            for share in coming:
                self._begin(share)
            if coming:
                spare_lasting()
            self._woken.wait(LOOK_S)
        self._end(list(self._standing))

    def _begin(self, share: int) -> None:
        task = self._coming.get(share)
        if task is None or self._ending.is_set():
            return
        try:
            task.workers = self.made(task)
        except StoreError as error:
            log.warning("%s waits for the ledger: %s", task.lease.name, error)
            return
        for worker in task.workers:
            worker.start()
        with self._moves:
            self._standing[share] = task
            wanted = self._coming.pop(share, None) is task
            if not wanted:  # let go meanwhile
                self._going.add(share)

    def _end(self, shares: Iterable[int]) -> None:
        tasks = [self._standing[share] for share in shares]
        at_once([worker.stop for task in tasks for worker in task.workers])
        with self._moves:
            for task in tasks:
                del self._standing[task.lease.share]
                self._going.discard(task.lease.share)
        for task in tasks:
            self.ended(task)

    def ended(self, task: LeasedTask, /) -> None:
        """Called when the work of a task has ended; does nothing here."""


def together(one: Count, other: Count) -> Count:
    """Two counts of one name as one: the lower of gauges in LOWEST and of ages, the sum of all others."""
    if one.value is None or other.value is None:
        return one if other.value is None else other
    lower = one.name in LOWEST or one.name.endswith("_age_seconds")
    return one._replace(value=min(one.value, other.value) if lower else one.value + other.value)


def at_once(calls: Sequence[Callable[[], None]]) -> None:
    """Make some calls at the same time, each in its own thread, and wait for all of them."""
    threads = [threading.Thread(target=call, name="stopping") for call in calls]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
