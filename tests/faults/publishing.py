"""A publisher of numbered messages at a fixed rate, and of floats that go up one after another and down again."""

from __future__ import annotations

import json
import threading
import time
from dataclasses import dataclass, field

from forecaster.domain.quantities import Quantity
from tests.bench.fleet import message, site_id
from tests.servers import CHUNK, Mosquitto

QUANTITIES = (Quantity.PUMP_POWER, Quantity.PACK_CHARGE, Quantity.HIGH_WATER)

UP_UNTIL, UP_FOR = 0.6, 0.1
"""Shares of all messages until which the last float goes up, and for which each stays up."""


@dataclass
class Publisher:
    """Publishes numbered messages at a fixed rate, each until the broker has taken it; and what the floats say.

    a_second : int — at most 1,000; dries : bool — whether floats go down again
    sent, again : int — messages that the broker has taken, and chunks that it had to be given again
    said : list[tuple[int, int]] — site and time of what the floats said [UTC milliseconds]
    """

    broker: Mosquitto
    sites: int
    count: int
    a_second: int
    dries: bool = False
    sent: int = 0
    again: int = 0
    said: list[tuple[int, int]] = field(default_factory=list)
    begun_ms: int = field(default_factory=lambda: int(time.time() * 1000))
    thread: threading.Thread = field(init=False)

    def __post_init__(self) -> None:
        self.thread = threading.Thread(target=self._work, daemon=True)

    def _work(self) -> None:
        begun_s = time.monotonic()
        while self.sent < self.count:
            last = min(self.count, self.sent + CHUNK)
            part = [message(n % self.sites, n // self.sites, self.time_ms(n)) for n in range(self.sent, last)]
            self._until_taken(part + self.floats())
            self.sent = last
            time.sleep(max(0.0, begun_s + self.sent / self.a_second - time.monotonic()))

    def time_ms(self, n: int) -> int:
        """When a message is due; no two are due in the same millisecond."""
        return self.begun_ms + n * 1000 // self.a_second

    def finish(self) -> None:
        """What the floats say once all is published."""
        self._until_taken(self.floats())

    def floats(self) -> list[tuple[str, bytes]]:
        """What those floats say now that have gone up so far."""
        now_ms = int(time.time() * 1000)
        share = self.sent / self.count
        said = []
        for number in range(self.sites):
            up_at = UP_UNTIL * number / self.sites
            if share < up_at:
                break
            wet = not (self.dries and share >= up_at + UP_FOR)
            said.append((f"fleet/{site_id(number)}/wet", json.dumps({"wet": wet, "time": now_ms}).encode()))
            self.said.append((number, now_ms))
        return said

    def total(self) -> int:
        """All that was published."""
        return self.count + len(set(self.said))

    def expected(self) -> dict[tuple[int, Quantity], set[int]]:
        """Times of what was published, by site and quantity [UTC milliseconds]."""
        found: dict[tuple[int, Quantity], set[int]] = {}
        for n in range(self.count):
            topic, _ = message(n % self.sites, n // self.sites, self.time_ms(n))
            quantity = Quantity.PACK_CHARGE if topic.endswith("/pack") else Quantity.PUMP_POWER
            found.setdefault((n % self.sites, quantity), set()).add(self.time_ms(n))
        for number, time_ms in self.said:
            found.setdefault((number, Quantity.HIGH_WATER), set()).add(time_ms)
        return found

    def _until_taken(self, part: list[tuple[str, bytes]]) -> None:
        while True:
            try:
                self.broker.publish(part)
                return
            except (AssertionError, OSError, RuntimeError, ValueError):  # the broker is away: the same ones again
                self.again += 1
                time.sleep(0.5)
