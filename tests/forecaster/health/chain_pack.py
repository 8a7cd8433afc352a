"""What a pack sends over a year that is told through the whole chain: its charge, and whether there is mains.

Some days a person pulls the plug in the morning and puts it in again once half of the charge is used, as in a
rehearsal. The pack loses capacity meanwhile. Nothing of the program's own model of a pack is used.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from forecaster.domain.quantities import Quantity
from forecaster.domain.site import Channel
from forecaster.maths.arrays import Array
from tests.forecaster.health.world import DAY_S

MAINS, PACK = "cellar/mains", "cellar/pack"
CHANNELS = (
    Channel(Quantity.MAINS_PRESENT, MAINS, "$.value", None, time="$.time"),
    Channel(Quantity.PACK_CHARGE, PACK, "$.value", "%", time="$.time"),
)

REHEARSED = (20, 80, 140, 200, 260, 320)
"""Days of the year on which the plug is pulled."""

PULLED_S, LONGEST_S = 8.0 * 3600.0, 10.0 * 3600.0
UNTIL = 0.5
"""The plug is pulled at eight, UTC, until so much of the charge is left, or so long."""

CAPACITY_WH, EFFICIENCY, IDLE_W, CHARGE_W = 1010.0, 0.9, 11.0, 280.0
STEP_S = 30.0


@dataclass(frozen=True)
class PackYear:
    """A pack that loses capacity steadily; a_year : share of its first capacity."""

    a_year: float

    def left(self, day: float) -> float:
        """What it holds on a day of the record, as a share of its first capacity."""
        return 1.0 - self.a_year * day / 365.25


def pack_messages(pack: PackYear, started: Array, stopped: Array, watts: Array) -> Iterator[tuple[float, str, int]]:
    """Time since the beginning [s], topic and value of each message, in order of time.

    started, stopped : (N,) — runs of the pump [s]; watts : (D,) — its running power on each day [W]
    Charge and mains are heard every hour, and when they change.
    """
    for day in range(watts.size):
        hours = (day * DAY_S + 3600.0 * hour + 1.0 for hour in range(24))
        if day not in REHEARSED:
            yield from (message for at in hours for message in ((at, MAINS, 1), (at + 1.0, PACK, 100)))
            continue
        yield from sorted(_rehearsed(pack, day, started, stopped, float(watts[day])))


def _rehearsed(
    pack: PackYear, day: int, started: Array, stopped: Array, pump_w: float
) -> Iterator[tuple[float, str, int]]:
    """The messages of a day on which the plug is pulled, in no order."""
    whole = energy = CAPACITY_WH * pack.left(day)
    mains, told, pulled = 1, 100, day * DAY_S + PULLED_S
    ended = None
    for at in np.arange(day * DAY_S, (day + 1) * DAY_S, STEP_S).tolist():
        carries = pulled <= at < pulled + LONGEST_S and ended is None
        if carries:
            ran_s = _ran_s(started, stopped, at, at + STEP_S)
            energy -= (IDLE_W * STEP_S + pump_w / EFFICIENCY * ran_s) / 3600.0
            ended = at + STEP_S if energy <= UNTIL * whole else None
        else:
            energy = min(whole, energy + CHARGE_W * STEP_S / 3600.0)
        charge, hourly = round(100.0 * energy / whole), at % 3600.0 == 0.0
        if hourly or int(not carries) != mains:
            yield at + 1.0, MAINS, int(not carries)
        if hourly or charge != told:
            yield at + 2.0, PACK, charge
        mains, told = int(not carries), charge


def _ran_s(started: Array, stopped: Array, begin_s: float, end_s: float) -> float:
    """How long the pump ran within a span [s]."""
    near = slice(int(np.searchsorted(stopped, begin_s)), int(np.searchsorted(started, end_s)))
    within = np.minimum(stopped[near], end_s) - np.maximum(started[near], begin_s)
    return float(np.maximum(within, 0.0).sum())
