"""Which of the due messages start now. Each receiver has a lane, so that one that hangs delays nobody else.

Critical messages leave first, then those to receivers that answer, then first attempts, then retries. A few quick
attempts run at a time. An attempt that takes long is no longer counted among these, so that attempts that hang do not
block others, up to a maximum of all. A host that did not answer several times in a row is tried for one failing
receiver at a time; receivers there that do answer are not delayed by it.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

MOST = 64
USUAL = 16
MOST_A_HOST = 32
LASTING_S = 0.5
OPENS_AT = 5
"""Attempts in a row in which a host did not answer before its breaker opens."""


@dataclass(frozen=True, slots=True)
class DueMessage:
    """A message that is due.

    receiver, host : str — whose lane it takes, and the host of that receiver; "" is not watched
    grave : bool — critical; failing : bool — the receiver could not be reached lately
    attempts, created_ms : int — attempts made so far, and when it fell due [UTC milliseconds]
    """

    key: str
    receiver: str
    host: str
    grave: bool
    failing: bool
    attempts: int
    created_ms: int

    @property
    def order(self) -> tuple[bool, bool, bool, int, str]:
        """The sort key of messages that may start."""
        return (not self.grave, self.failing, self.attempts > 0, self.created_ms, self.key)


@dataclass(frozen=True, slots=True)
class UnderWay:
    """An attempt in progress since `since_s` [monotonic seconds]."""

    receiver: str
    host: str
    failing: bool
    since_s: float


@dataclass(slots=True)
class Breaker:
    """The circuit breaker: how often in a row each host did not answer."""

    in_a_row: Counter[str] = field(default_factory=Counter)

    def note(self, host: str, *, answered: bool) -> None:
        """Record whether a host answered an attempt."""
        if answered:
            self.in_a_row.pop(host, None)
        elif host:
            self.in_a_row[host] += 1

    def open(self, host: str) -> bool:
        """Whether the breaker of a host is open: it is then tried for one failing receiver at a time."""
        return self.in_a_row[host] >= OPENS_AT if host in self.in_a_row else False


def startable(
    waiting: Iterable[DueMessage], under_way: Sequence[UnderWay], breaker: Breaker, now_s: float, most: int = MOST
) -> list[DueMessage]:
    """The messages to start now, in order."""
    busy = {item.receiver for item in under_way}
    hosts = Counter(item.host for item in under_way)
    failing_at = Counter(item.host for item in under_way if item.failing)
    quick = sum(now_s - item.since_s < LASTING_S for item in under_way)
    failing, running = sum(failing_at.values()), len(under_way)
    chosen: list[DueMessage] = []
    for item in sorted(waiting, key=lambda one: one.order):
        if running >= most or quick >= USUAL:
            break
        if item.receiver in busy or (item.host and hosts[item.host] >= MOST_A_HOST):
            continue
        held = item.failing and (failing >= most // 2 or (breaker.open(item.host) and failing_at[item.host] > 0))
        if held and most > 1:
            continue
        busy.add(item.receiver)
        hosts[item.host] += 1
        failing_at[item.host] += item.failing
        failing, running, quick = failing + item.failing, running + 1, quick + 1
        chosen.append(item)
    return chosen
