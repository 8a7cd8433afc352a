"""The chance of a wet floor over a trip: the hazards of each cause, added up over its days, in many possible worlds.

Each world draws how often and how long the power fails, how wet the season is, how often pumps, floats and packs fail,
and who hears and comes. Within a world wet floors come as a Poisson process whose rate is computed, not sampled. The
same random numbers serve every question (common random numbers), so that a longer trip, a smaller pack or a lower
freeboard can only raise the chance.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy.special import gammaincinv, ndtr, ndtri

from forecaster.domain.times import YEAR_DAYS
from forecaster.maths.arrays import Array
from forecaster.maths.noise import uniforms
from forecaster.trip import priors
from forecaster.trip.house import TripHouse, TripSpan
from forecaster.trip.worlds import Worlds, drawn_worlds

WORLDS, WITHIN = 200, 20
"""Worlds drawn (K), and draws of inflow and pack within each (M)."""

SEED = 2017

STEP_DAYS = 15.0
"""Time over which the season counts as constant [days]; the steps begin on fixed dates, whatever the trip."""

CAUSES = ("outage", "pump", "inflow", "pack", "unheard")
"""The pack outlasted by an outage; pump or float dead or clogged; more inflow than the pump lifts; pack or inverter
failing; somebody could have come in time, had they heard."""


@dataclass(frozen=True, slots=True)
class WetFloor:
    """What comes of a trip.

    chance : (K,) — of at least one wet floor in each world, 0..1
    causes : cause (see CAUSES) -> expected number of wet floors in each world, (K,)
    """

    chance: Array
    causes: Mapping[str, Array]

    def quantiles(self) -> tuple[float, float, float]:
        """10, 50 and 90 % points of the chance over the worlds, 0..1."""
        low, middle, high = np.quantile(self.chance, (0.1, 0.5, 0.9))
        return float(low), float(middle), float(high)

    @property
    def mean(self) -> float:
        """The mean of the chance over the worlds, 0..1: the one to reckon or bet with."""
        return float(self.chance.mean())

    def shares(self) -> dict[str, float]:
        """Each cause's share of the expected wet floors, 0..1; together 1."""
        sums = {cause: float(number.sum()) for cause, number in self.causes.items()}
        whole = sum(sums.values())
        return {cause: number / whole for cause, number in sums.items()}


def wet_floor(house: TripHouse, span: TripSpan) -> WetFloor:
    """The chance of a wet floor between leaving and being back; the same for the same house and span."""
    worlds = drawn_worlds(house, WORLDS, SEED)
    expected = {cause: np.full(WORLDS, 1e-12) for cause in CAUSES}
    water = _drawn_water(worlds)
    for first, end in _steps(span):
        middle = first - first % STEP_DAYS + 0.5 * STEP_DAYS
        _add_step(expected, house, worlds, water, _Step(first, end, span.back, middle, middle - span.now))
    if house.present is not None:
        _add_present(expected, house, worlds, water, span)
    whole = np.sum([expected[cause] for cause in CAUSES], axis=0)
    return WetFloor(np.asarray(-np.expm1(-whole), dtype=np.float64), expected)


@dataclass(frozen=True, slots=True)
class _Water:
    """Draws of inflow and pack within each world, (K, M).

    calm, storm : inflow of an hour over the season's level, on any day and on one of the wettest
    hour : inflow of an hour over its day's; pack : standard normal number, for its energy
    """

    calm: Array
    storm: Array
    hour: Array
    pack: Array


def _drawn_water(worlds: Worlds) -> _Water:
    drawn = uniforms(SEED + 1, WORLDS * WITHIN, 3).reshape(WORLDS, WITHIN, 3)
    hour = np.exp(priors.HOUR_SPREAD * ndtri(drawn[:, :, 1]))
    shape = 1.0 / worlds.day_spread
    place = drawn[:, :, 0]
    places = (place, priors.STORM_WET + (1.0 - priors.STORM_WET) * place)
    calm, storm = (np.asarray(gammaincinv(shape, one) / shape * hour, dtype=np.float64) for one in places)
    return _Water(calm, storm, hour, ndtri(drawn[:, :, 2]))


@dataclass(frozen=True, slots=True)
class _Step:
    """A part of the trip within one step of the season; times in days since 1970.

    back : the end of the trip; middle : of the whole step; ahead : days from now to that middle
    """

    first: float
    end: float
    back: float
    middle: float
    ahead: float

    def days(self, takes_h: Array) -> Array:
        """How much of this part is early enough to begin what takes takes_h hours before the end of the trip [days]."""
        return np.asarray(np.clip(np.minimum(self.end, self.back - takes_h / 24.0) - self.first, 0.0, None))


def _steps(span: TripSpan) -> list[tuple[float, float]]:
    edges = np.arange(np.floor(span.leave / STEP_DAYS) + 1.0, np.ceil(span.back / STEP_DAYS)) * STEP_DAYS
    places = [span.leave, *(float(edge) for edge in edges if span.leave < edge < span.back), span.back]
    return list(pairwise(places))


def _add_step(expected: dict[str, Array], house: TripHouse, worlds: Worlds, water: _Water, step: _Step) -> None:
    """Add the wet floors to be expected in a step, by cause."""
    level = worlds.level(np.array([step.middle]))[:, 0]
    fails = worlds.pack_fails(step.ahead)
    for in_storm in (False, True):
        share = np.clip(level[:, None] * (water.storm if in_storm else water.calm), 1e-4, 5.0)
        weight = (worlds.storm if in_storm else 1.0 - worlds.storm) * worlds.outages / YEAR_DAYS
        fill_h = worlds.freeboard_min[:, None] / share / 60.0
        dry_h = _pack_hours(house, worlds, water, share, house.pack.charge_percent) + fill_h
        outlasts = worlds.lasts(dry_h, in_storm) * step.days(dry_h)
        _add(expected, house, worlds, "outage", weight[:, None] * (1.0 - fails)[:, None] * outlasts, dry_h)
        at_once = worlds.lasts(fill_h, in_storm) * step.days(fill_h)
        _add(expected, house, worlds, "pack", weight[:, None] * fails[:, None] * at_once, fill_h)
        if not in_storm:
            dies = worlds.pump_dies[:, None] / YEAR_DAYS * step.days(fill_h)
            _add(expected, house, worlds, "pump", dies, 0.5 * fill_h)
    above = worlds.above_pump(house.pumps) / YEAR_DAYS * np.clip(level / worlds.usual, 0.25, 4.0)
    _add(expected, house, worlds, "inflow", (above * (step.end - step.first))[:, None], np.full((WORLDS, 1), 0.4))


def _add_present(expected: dict[str, Array], house: TripHouse, worlds: Worlds, water: _Water, span: TripSpan) -> None:
    """Add the outage that lasts now, with the present charge and duty."""
    present = house.present
    assert present is not None
    share = np.maximum(present.duty, 1e-4) * water.hour
    fill_h = worlds.freeboard_min[:, None] / share / 60.0
    dry_h = _pack_hours(house, worlds, water, share, present.charge_percent) + fill_h
    so_far = worlds.lasts(np.full_like(dry_h, present.age_h), in_storm=True)
    chance = worlds.lasts(dry_h + present.age_h, in_storm=True) / np.maximum(so_far, 1e-12)
    chance = np.where(dry_h / 24.0 <= span.back - span.now, np.minimum(chance, 1.0 - 1e-9), 0.0)
    _add(expected, house, worlds, "outage", -np.log1p(-chance), dry_h)


def _pack_hours(house: TripHouse, worlds: Worlds, water: _Water, share: Array, percent: float) -> Array:
    """How long the pack carries the pump from a charge of `percent` until it is empty [h], (K, M)."""
    pack = house.pack
    strays = np.exp(pack.spread * (worlds.pack[:, None] + 0.5 * water.pack))
    watts = pack.base_w + pack.pump_w * np.minimum(share, 1.0)
    return np.asarray(pack.wh_per_percent * percent * strays / np.maximum(watts, 1.0), dtype=np.float64)


def _add(
    expected: dict[str, Array], house: TripHouse, worlds: Worlds, cause: str, number: Array, notice_h: Array
) -> None:
    """Add wet floors to be expected of one cause, less those that somebody who hears and comes keeps dry.

    number, notice_h : (K, M) — how many without help, and the time between the first alarm and the wet floor [h]
    """
    saves = (priors.SAVES_GENERATOR if house.generator else priors.SAVES)[cause]
    nobody = np.ones(np.broadcast_shapes(number.shape, notice_h.shape))
    left_h = np.maximum(notice_h - priors.NOTICE_H, 1e-9)
    for reach_h in house.reach_h:
        in_time = ndtr(np.log(left_h / max(reach_h, 0.05)) / priors.REACH_SPREAD)
        nobody = nobody * (1.0 - worlds.there[:, None] * in_time)
    could = saves * (1.0 - nobody)
    expected[cause] = expected[cause] + (number * (1.0 - could)).mean(axis=1)
    missed = number * could * (1.0 - worlds.heard)[:, None]
    expected["unheard"] = expected["unheard"] + missed.mean(axis=1)
