"""How long to wait before the next attempt: doubling, capped, with jitter so that many do not return at once."""

from __future__ import annotations

import random

FIRST_S = 5.0
LONGEST_S = 15 * 60.0
LONGEST_CRITICAL_S = 2 * 60.0
LONGEST_ASKED_S = 3600.0


def wait_s(attempts: int, rng: random.Random, *, critical: bool, asked_s: float | None = None) -> float:
    """Seconds until the next attempt after `attempts` failed ones (1, 2, …): between half and all of the step.

    asked_s : float | None — what the receiver asked for; kept, up to an hour
    """
    longest = LONGEST_CRITICAL_S if critical else LONGEST_S
    step = min(FIRST_S * 2.0 ** min(attempts - 1, 20), longest)
    own = step * rng.uniform(0.5, 1.0)
    if asked_s is None:
        return own
    return max(own, min(asked_s, LONGEST_ASKED_S))
