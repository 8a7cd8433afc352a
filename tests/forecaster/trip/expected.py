"""Wet floors to be expected of simulated houses, by cause: seen far more sharply than by counting those that come.

A wet floor is rare. So each water is lived through with many more outages than come, each weighed down as much, with
the pump dying at hours spread over the trip, with the pack holding and failing; and who hears and comes is reckoned.
Nothing of the model is used here either.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

import numpy as np

from forecaster.maths.arrays import Array
from forecaster.trip import priors
from forecaster.trip.chance import CAUSES
from tests.forecaster.trip.world import (
    HOURS_A_YEAR,
    TrueHouse,
    by_dead_pump,
    by_inflow,
    in_time,
    outages,
    pack_fails,
    wet_after_h,
)

MANY = 40
"""How many times as many outages are lived through as come."""

DEATHS = 6
"""Hours of a trip at which the pump is tried dead."""

Events = Iterable[tuple[str, float, float]]
"""Cause, notice [h], and number of such wet floors, if nobody came."""


def luck(house: TrueHouse, share: Array, rng: np.random.Generator) -> tuple[list[tuple[int, float]], Array]:
    """Many outages of a water, and hours at which the pump dies: drawn once, whatever is changed afterwards."""
    places = (np.arange(DEATHS) + rng.uniform(size=DEATHS)) / DEATHS
    return outages(replace(house, outages=MANY * house.outages), share, rng), places * share.size


def expected(house: TrueHouse, share: Array, drawn: tuple[Sequence[tuple[int, float]], Array]) -> dict[str, float]:
    """Wet floors to be expected of a house in a water, by cause (see `chance.CAUSES`)."""
    found = dict.fromkeys(CAUSES, 0.0)
    for cause, notice_h, number in _events(house, share, *drawn):
        could = (priors.SAVES_GENERATOR if house.generator else priors.SAVES)[cause] * _comes(house, notice_h)
        found[cause] += number * (1.0 - could)
        found["unheard"] += number * could * (1.0 - house.heard)
    return found


def _comes(house: TrueHouse, notice_h: float) -> float:
    nobody = np.prod([1.0 - house.there * in_time(reach_h, notice_h) for reach_h in house.reach_h[:4]])
    return 1.0 - float(nobody)


def _events(house: TrueHouse, share: Array, many: Sequence[tuple[int, float]], deaths: Array) -> Events:
    for at, lasts_h in many:
        fails = pack_fails(house, at)
        for cause, chance in (("pack", fails), ("outage", 1.0 - fails)):
            wet_h = wet_after_h(house, share, at, lasts_h, cause == "pack")
            if wet_h is not None:
                yield cause, wet_h, chance / MANY
    dies = (house.pump_dies * house.wear + house.float_dies) * share.size / HOURS_A_YEAR
    dies *= priors.SECOND_PUMP_TOO if house.pumps > 1 else 1.0
    for at in deaths:
        for cause, notice_h in by_dead_pump(house, share, int(at)):
            yield cause, notice_h, dies / DEATHS
    for cause, notice_h in by_inflow(house, share):
        yield cause, notice_h, 1.0
