"""The wait before the next attempt: doubling up to a limit, with jitter so that clients do not return all at once."""

from __future__ import annotations

import random


def wait_s(failed: int, first_s: float, longest_s: float, rng: random.Random) -> float:
    """Seconds to wait after `failed` attempts in a row (1, 2, …): between half of the step and all of it.

    first_s, longest_s : float — the step after the first failure, and its limit [s]
    """
    return min(first_s * 2.0 ** min(failed - 1, 30), longest_s) * rng.uniform(0.5, 1.0)


class Backoff:
    """The waits between the attempts at one operation that is repeated until it works.

    first_s, longest_s : float — as for `wait_s` [s]; name : seeds the jitter
    """

    def __init__(self, first_s: float, longest_s: float, name: str) -> None:
        self._first_s, self.longest_s, self._rng = first_s, longest_s, random.Random(name)
        self._failed = 0

    def fail(self) -> float:
        """Record a failed attempt. Returns how long to wait [s]."""
        self._failed += 1
        return wait_s(self._failed, self._first_s, self.longest_s, self._rng)

    def succeed(self) -> None:
        """Record a success: the next failure counts as the first."""
        self._failed = 0
