"""The beginning of a discharge: at which charge, and how well that is known."""

from __future__ import annotations

from itertools import pairwise

from forecaster.engine.accounts import Accounts
from forecaster.engine.evidence import Began
from forecaster.engine.supply import SupplyChange


def began(change: SupplyChange, percent: float | None, newest_percent: float | None, accounts: Accounts) -> Began:
    """The beginning of a discharge at a charge [%]; None: not reported.

    newest_percent : float | None — the charge by the reading that told of the transfer [%], not yet in the accounts

    A transfer that was inferred from a fall is dated to the last reading before it. The charge was then about to
    change, so about half a step had already been used. Of a fall of several steps between two readings nobody knows how
    much of it was used before; some gauges just sag as the pack takes over.
    """
    if not change.inferred or percent is None or newest_percent is None:
        return Began(change.at_ms, percent)
    fell = max(percent - newest_percent, 0.0)
    steps = [abs(one.percent - other.percent) for one, other in pairwise(accounts.marks)]
    step = min([fell, *(step for step in steps if step > 0.0)])
    at_once = step if accounts.percent is None else max(step, accounts.percent - newest_percent)
    return Began(change.at_ms, percent - step / 2.0, at_once / 3.0 + 0.05, percent)
