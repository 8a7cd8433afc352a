"""What would help, as it is told at the end of a sizing and of a rehearsal."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Help:
    """A change and the hours it leads to.

    hours_95 : float | None — hours to the reserve floor that are reached with 95 % chance; None: beyond the horizon
    gained_h : float | None — how many more that is than without the change [h]; None where either is beyond the horizon
    wh : float | None — energy that it adds in all, or saves in each hour: `what` says which [Wh]
    """

    what: str
    hours_95: float | None
    gained_h: float | None
    wh: float | None
