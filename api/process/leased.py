"""Work that stands and falls with leases: workers that are made, started and ended as the leases come and go."""

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
from forecaster.live.looping import LoopThread

log = logging.getLogger("outlast.members")

LOOK_S = 1.0
HANGING_LOOKS = 15
"""Looks without a turn, one every two seconds, after which one of many is not merely waiting for the others."""

LOWEST = frozenset({"outlast_connected"})
"""Gauges that are told of the worst; others are added up."""


@dataclass(slots=True)
class LeasedTask:
    """The workers of one lease, and whether it is still ours: what they write elsewhere than to the ledger asks it."""

    lease: Lease
    time: LeaseTime
    workers: Sequence[Startable] = ()
    lost: threading.Event = field(default_factory=threading.Event)

    def leased(self) -> bool:
        """Whether nobody else can have the lease yet."""
        return not self.lost.is_set() and self.time.lasts()


class LeasedWork(LoopThread):
    """Begins and ends such work in a thread of its own: the Holder of one or more shares."""

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
        """The workers of a task, in the order in which they start. StoreError: it is tried again."""

    # -- the Holder
    def take(self, lease: Lease) -> None:
        """Begin the work of a lease."""
        with self._moves:
            self._coming[lease.share] = LeasedTask(lease, self._time)
        super().wake()

    def let_go(self, share: int, *, lost: bool) -> None:
        """End it. lost : the lease is another's already, and nothing more is written or sent."""
        with self._moves:
            coming = self._coming.pop(share, None)
            for task in (one for one in (coming, self._standing.get(share)) if one is not None and lost):
                task.lost.set()
            if share in self._standing:
                self._going.add(share)
        super().wake()

    def working(self) -> frozenset[int]:
        """The shares with work that runs, or is about to."""
        with self._moves:
            return frozenset({*self._coming, *self._standing})

    # -- the worker
    def wake(self) -> None:
        """The store or the ledger has news."""
        for worker in self._workers():
            worker.wake()

    def stop(self, timeout_s: float = 60.0) -> None:
        """End all work, and the thread; waits at most so long [s]."""
        super().stop(timeout_s)

    def alive(self) -> bool:
        """Whether its thread runs, and those of all that it has begun."""
        return super().alive() and all(worker.alive() for worker in self._workers(ended=False))

    def turns(self) -> int:
        """A number that stands still once any loop among its workers has stood still for some looks in a row."""
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
        """What is wrong with any of them, once each."""
        return list(dict.fromkeys(trouble for worker in self._workers() for trouble in worker.troubles()))

    def counts(self) -> list[Count]:
        """The counts of all, one sample for each name and labels."""
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
            for share in sorted(self._coming):
                self._begin(share)
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
        """Called when the work of a task has ended."""


def together(one: Count, other: Count) -> Count:
    """Two counts as one: the sum, or the lower one of what is told of the worst."""
    if one.value is None or other.value is None:
        return one if other.value is None else other
    lower = one.name in LOWEST or one.name.endswith("_age_seconds")
    return one._replace(value=min(one.value, other.value) if lower else one.value + other.value)


def at_once(calls: Sequence[Callable[[], None]]) -> None:
    """Make some calls at the same time, and wait for all."""
    threads = [threading.Thread(target=call, name="stopping") for call in calls]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
