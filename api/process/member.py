"""A member, one of the processes that share an installation's work: its heartbeat, and what it takes and lets go.

Every few seconds it tells the ledger that it lives, which prolongs its leases, and learns which other members live.
From that follows which shares it should carry (`collector.rendezvous`): it takes those that are free, and lets go those
that others should carry. Where the ledger is not reached in time, its leases run out and others carry on; the ledger
refuses what it still writes then.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Mapping, Sequence

from collector.rendezvous import carried_by
from collector.store.ledger import SqlLedger
from collector.store.ledger_members import LEASE_MS
from forecaster.domain.counts import Count
from forecaster.domain.errors import Conflict, StoreError
from forecaster.domain.leases import Holder, Lease, MemberTold
from forecaster.live.looping import LoopThread
from forecaster.texts.catalogue import words

log = logging.getLogger("outlast.members")

BEAT_S = 4.0
"""Time between heartbeats [s]: five in the time of a lease."""

SOON_S = 0.5
"""Time between heartbeats while shares are about to change hands [s]."""

JUST_AFTER_S = 0.05
"""How long after the end of a silent member's leases the next heartbeat is [s]."""

LEAVING_S = 60.0
"""How long the end waits at most until everything of the shares carried is written [s]."""


def steady_s() -> float:
    """The clock for leases [s]: it never steps, and goes on while the machine sleeps or the process is paused."""
    return time.clock_gettime(time.CLOCK_BOOTTIME)


class LeaseTime:
    """Until when a member's leases last at least, by its own clock.

    Whoever sends or stores something that the ledger does not check asks here first.
    """

    def __init__(self) -> None:
        self._kept_s = float("-inf")

    def renew(self, began_s: float) -> None:
        """Note that the leases were prolonged. began_s : float — start of that heartbeat, by `steady_s` [s]"""
        self._kept_s = began_s

    def silent_s(self) -> float:
        """Time since the last heartbeat that was answered began [s]; inf where none was."""
        return steady_s() - self._kept_s

    def lasts(self) -> bool:
        """Whether the leases cannot have run out yet, so that nobody else can have them."""
        return self.silent_s() < LEASE_MS / 1000.0


class MemberWorker(LoopThread):
    """Keeps a member's leases, and tells those who do the work what to take and what to let go.

    role : str — "collect" or "forecast"; name : str — of this member, the same after a restart
    told : MemberTold — what it tells of itself; instance : str — identifies this process
    holders : Mapping[int, Holder] — who does the work of a share, for every share of the role
    lease_time : LeaseTime — set with each heartbeat that the ledger answers
    """

    def __init__(
        self, ledger: SqlLedger, role: str, name: str, told: MemberTold, instance: str,
        holders: Mapping[int, Holder], lease_time: LeaseTime,
    ) -> None:  # fmt: skip
        super().__init__("member")
        self._ledger, self._role, self._name, self._told = ledger, role, name, told
        self._holders, self._instance, self._time = holders, instance, lease_time
        self._held: dict[int, Lease] = {}
        self._leaving: dict[int, Lease] = {}
        self._staying = False
        self._beats = 0
        self._trouble: str | None = None
        self._left = threading.Event()

    def hand_over(self) -> None:
        """Announce that this process goes on with changed site files after the next stop: it then stays a member."""
        self._staying = True

    def stop(self, timeout_s: float = LEAVING_S) -> None:
        """Let all shares go, and leave, so that others take over at once; waits for that at most `timeout_s` [s]."""
        super().stop(timeout_s)

    def turns(self) -> int:
        """How many heartbeats there have been, failed ones included."""
        return self._beats

    def troubles(self) -> list[tuple[str, str]]:
        """What is wrong at the moment, as pairs of the worker and the trouble."""
        return [] if self._trouble is None else [("member", self._trouble)]

    def counts(self) -> list[Count]:
        """How many shares this process carries, for the metrics."""
        return [Count("outlast_leases_held", "gauge", "Shares that this process carries.", float(len(self._held)))]

    # -- the thread
    def _work(self) -> None:
        registered = False
        while not self._ending.is_set():
            self._woken.clear()
            self._beats += 1
            wait_s = BEAT_S
            try:
                if not registered:
                    self._ledger.join(self._role, self._name, self._instance, self._told)
                    registered = True
                wait_s = self._beat()
                self._trouble = None
            except StoreError as error:
                self._say(str(error))
            except Conflict as error:
                log.error("%s; this process ends", error)
                self._let_go(list(self._held), lost=True)
                raise
            self._woken.wait(wait_s)
        self._leave()

    def _say(self, why: str) -> None:
        if self._trouble is None:
            log.warning("the heartbeat waits for the ledger: %s", why)
        self._trouble = why
        if self._held and not self._time.lasts():
            self._trouble = words()("members.not_reached", silent_s=self._time.silent_s(), lease_s=LEASE_MS / 1000.0)

    def _beat(self) -> float:
        """Prolong the leases, and take and let go what has to change hands. Returns the time to the next heartbeat [s].

        That is soon where something still has to change hands, and where a silent member's leases are about to run out.
        """
        began_s = steady_s()
        seen = self._ledger.beat(self._role, self._name, self._instance)
        own = {lease.share: lease for lease in seen.own}
        self._let_go([share for share, lease in self._held.items() if own.get(share) != lease], lost=True)
        for share in [share for share, lease in self._leaving.items() if own.get(share) != lease]:
            self._holders[share].let_go(share, lost=True)
        self._time.renew(began_s)
        wanted = carried_by(self._name, self._role, self._holders, seen.living)
        self._let_go([share for share in self._held if share not in wanted], lost=False)
        self._give_back()
        free = [share for share in sorted(wanted - seen.taken) if share not in self._held and not self._works_on(share)]
        if free:
            self._take(self._ledger.take(self._role, self._name, self._instance, free))
        if self._leaving or self._held.keys() != wanted:
            return SOON_S
        return min(BEAT_S, seen.others_last_s + JUST_AFTER_S)

    def _take(self, leases: Sequence[Lease]) -> None:
        for lease in leases:
            self._held[lease.share] = lease
            self._holders[lease.share].take(lease)
        if leases:
            log.info("takes %d shares: %s", len(leases), ", ".join(str(lease.share) for lease in leases))

    def _let_go(self, shares: list[int], *, lost: bool) -> None:
        if shares:
            log.info("%s %d shares: %s", "has lost" if lost else "lets go", len(shares), ", ".join(map(str, shares)))
        for share in shares:
            lease = self._held.pop(share)
            self._holders[share].let_go(share, lost=lost)
            if not lost:
                self._leaving[share] = lease

    def _give_back(self) -> None:
        """Give back the leases of shares that were let go, once all work on them has ended."""
        done = [lease for share, lease in self._leaving.items() if not self._works_on(share)]
        if done:
            self._ledger.give_back(self._instance, done)
        for lease in done:
            del self._leaving[lease.share]

    def _works_on(self, share: int) -> bool:
        return share in self._holders[share].working()

    def _leave(self) -> None:
        """Let all shares go, and prolong their leases until what they owe is written, for LEAVING_S at most."""
        self._let_go(list(self._held), lost=False)
        until_s = steady_s() + LEAVING_S
        try:
            while self._leaving and steady_s() < until_s:
                began_s = steady_s()
                self._ledger.beat(self._role, self._name, self._instance)
                self._time.renew(began_s)
                self._give_back()
                self._left.wait(SOON_S / 5)
            if not self._staying:
                self._ledger.leave(self._role, self._name, self._instance)
        except (StoreError, Conflict) as error:
            log.warning("it leaves without a word, and its leases run out: %s", error)
