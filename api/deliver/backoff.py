"""How long a delivery waits before its next attempt."""

from __future__ import annotations

import random

from collector.backoff import wait_s

FIRST_S = 5.0
LONGEST_S = 15 * 60.0
LONGEST_CRITICAL_S = 2 * 60.0
LONGEST_ASKED_S = 3600.0


def next_attempt_s(attempts: int, rng: random.Random, *, critical: bool, asked_s: float | None = None) -> float:
    """Seconds until the next attempt after `attempts` failed ones (1, 2, …); a critical message waits less.

    asked_s : float | None — the wait that the receiver asked for [s]; respected up to an hour
    """
    own = wait_s(attempts, FIRST_S, LONGEST_CRITICAL_S if critical else LONGEST_S, rng)
    return own if asked_s is None else max(own, min(asked_s, LONGEST_ASKED_S))
