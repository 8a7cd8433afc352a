"""Possible worlds of a house: what is drawn once for a trip, from the priors and the house's own record."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import betaincinv, gammaincinv, ndtr, ndtri

from forecaster.domain.times import YEAR_DAYS
from forecaster.maths.arrays import Array
from forecaster.maths.noise import uniforms
from forecaster.record.levels import LevelDraws
from forecaster.record.peaks import PeakDraws
from forecaster.trip import priors
from forecaster.trip.house import OutageRecord, TripHouse
from forecaster.water.seasonal import COLUMNS, SeasonBelief

COLUMNS_DRAWN = 24

MIDDLES = np.arange(6.0) * YEAR_DAYS / 6.0
"""Days of the year, two months apart, over which its usual level is averaged."""


@dataclass(frozen=True, slots=True)
class Worlds:
    """What is drawn for K worlds: arrays of shape (K,), unless said otherwise.

    outages : number a year; log_hours, hours_spread : mean and deviation of the logarithm of their length [ln h]
    storm : share of the outages that come in storms, 0..1
    pump_dies : failures of pump and float together, a year
    pack_at_once : chance that the pack fails at a transfer, 0..1; pack_decays : hidden faults of it a year
    proven_days : float — since the pack last carried the pump [days]; pack : standard normal number, for its energy
    heard, there : chance that an alarm reaches somebody, and that somebody who could come is there, 0..1
    freeboard_min : time in which the pump at full rate would fill the freeboard [min]
    season : the inflow by day of the year
    season_parts : (K, COLUMNS), season_years : (K,) — standard normal numbers for `season.levels`
    usual : mean inflow over the year, as a share of what the pump lifts; storms : the wettest hours, likewise
    """

    outages: Array
    log_hours: Array
    hours_spread: Array
    storm: Array
    pump_dies: Array
    pack_at_once: Array
    pack_decays: Array
    proven_days: float
    pack: Array
    heard: Array
    there: Array
    freeboard_min: Array
    season: SeasonBelief
    season_parts: Array
    season_years: Array
    usual: Array
    storms: PeakDraws | LevelDraws

    @property
    def day_spread(self) -> float:
        """How single days stray from the season's level: variance over mean², that of the count included."""
        return self.season.spread + 0.02

    def level(self, day: Array) -> Array:
        """Mean inflow on days since 1970, (N,), as a share of what the pump lifts, (K, N)."""
        return self.season.levels(day, self.season_parts, self.season_years)

    def lasts(self, hours: Array, in_storm: bool) -> Array:
        """Chance that an outage lasts longer than `hours`, (K, M) [h]: (K, M), 0..1."""
        longer = np.log(priors.STORM_LONGER) * (1.0 if in_storm else -1.0)
        strays = (np.log(np.maximum(hours, 1e-6)) - self.log_hours[:, None] - longer) / self.hours_spread[:, None]
        return np.asarray(ndtr(-strays), dtype=np.float64)

    def pack_fails(self, ahead_days: float) -> Array:
        """Chance that pack or inverter fails to carry the pump at a transfer so many days ahead, (K,), 0..1."""
        hidden = -np.expm1(-self.pack_decays * max(self.proven_days + ahead_days, 0.0) / YEAR_DAYS)
        return np.asarray(1.0 - (1.0 - self.pack_at_once) * (1.0 - hidden), dtype=np.float64)

    def above_pump(self, pumps: int) -> Array:
        """Hours a year, (K,), that bring so much more than the pumps lift that the freeboard fills within the hour."""
        return self.storms.yearly(pumps + self.freeboard_min / 60.0)


def drawn_worlds(house: TripHouse, worlds: int, seed: int) -> Worlds:
    """Draw the worlds of a house; the same seed draws the same random numbers whatever the house."""
    drawn = uniforms(seed, worlds, COLUMNS_DRAWN)
    normal = np.asarray(ndtri(drawn), dtype=np.float64)
    log_hours, hours_spread = _lengths(house.outages, drawn[:, 1], normal[:, 2])
    record, pack = house.outages, house.pack
    outages = gammaincinv(priors.OUTAGES_A_YEAR * priors.OUTAGE_YEARS + len(record.hours), drawn[:, 0])
    stormy = _by_storms(record)
    season = house.season if house.season is not None else _season_guess(house.duty)
    parts, years = normal[:, 10 : 10 + COLUMNS], normal[:, 10 + COLUMNS]
    return Worlds(
        outages=np.asarray(outages / (priors.OUTAGE_YEARS + record.years), dtype=np.float64),
        log_hours=log_hours, hours_spread=hours_spread,
        storm=betaincinv(
            priors.STORM_FOR + stormy, priors.STORM_AGAINST + len(record.hours) - stormy, drawn[:, 3]
        ),
        pump_dies=_pump_dies(house, normal[:, 4], normal[:, 5]),
        pack_at_once=betaincinv(priors.PACK_FAILED + pack.failed, priors.PACK_HELD + pack.carried, drawn[:, 6]),
        pack_decays=priors.PACK_DECAYS * np.exp(priors.PACK_SPREAD * normal[:, 7]),
        proven_days=priors.NEVER_PROVEN_DAYS if pack.proven_days is None else pack.proven_days,
        pack=normal[:, 8],
        heard=house.heard * betaincinv(10.0 * priors.HEARD_BEST, 10.0 * (1.0 - priors.HEARD_BEST), drawn[:, 9]),
        there=betaincinv(10.0 * priors.THERE, 10.0 * (1.0 - priors.THERE), drawn[:, 16]),
        freeboard_min=_freeboard(house.freeboard_min, normal[:, 17]),
        season=season, season_parts=parts, season_years=years,
        usual=season.levels(MIDDLES, parts, years).mean(axis=1),
        storms=house.storms if house.storms is not None else _storms_guess(normal[:, 18]),
    )  # fmt: skip


def _by_storms(record: OutageRecord) -> float:
    """How many of a record's outages storms brought; of the others, some fall on wet days by chance."""
    wet = len(record.wet_h)
    by_chance = (1.0 - priors.STORM_WET) * len(record.hours)
    return float(np.clip((wet - by_chance) / priors.STORM_WET, 0.0, wet))


def _lengths(record: OutageRecord, chi: Array, normal: Array) -> tuple[Array, Array]:
    """Mean and spread of the logarithm of an outage's length, storms apart: normal-inverse-chi-squared, conjugate.

    Source: Gelman et al., *Bayesian Data Analysis*, 3.3.
    """
    first, count = float(np.log(priors.OUTAGE_MEDIAN_H)), priors.OUTAGE_COUNTS
    own = _without_storms(record)
    number = own.size
    middle = float(own.mean()) if number else first
    after, freedom = count + number, priors.OUTAGE_SPREAD_COUNTS + number
    squares = priors.OUTAGE_SPREAD_COUNTS * priors.OUTAGE_SPREAD**2 + float(((own - middle) ** 2).sum())
    squares += count * number / after * (middle - first) ** 2
    spread = np.sqrt(squares / (2.0 * gammaincinv(0.5 * freedom, chi)))
    return (count * first + number * middle) / after + spread * normal / np.sqrt(after), spread


def _without_storms(record: OutageRecord) -> Array:
    """Logarithms of the lengths of a record's outages, (N,) [ln h], without what storms make longer, which comes on top
    of them."""
    longer = float(np.log(priors.STORM_LONGER))
    stormy = _by_storms(record) / max(len(record.wet_h), 1)
    calm, wet = (np.log(np.maximum(hours, priors.SUSTAINED_H)) for hours in (record.calm_h, record.wet_h))
    return np.concatenate([calm + longer, wet - (2.0 * stormy - 1.0) * longer])


def _pump_dies(house: TripHouse, pump: Array, switch: Array) -> Array:
    """Failures of pump and float a year; of two pumps that stand beside each other only what takes both."""
    dies = priors.PUMP_FAILS * house.pump_wear * np.exp(priors.PUMP_SPREAD * pump)
    sticks = priors.FLOAT_FAILS * np.exp(priors.FLOAT_SPREAD * switch)
    sticks = sticks * (priors.NEW_FLOAT if house.new_float else house.float_wear)
    return np.asarray((dies + sticks) * (1.0 if house.pumps == 1 else priors.SECOND_PUMP_TOO), dtype=np.float64)


def _freeboard(known_min: float | None, normal: Array) -> Array:
    if known_min is None:
        return np.asarray(priors.FREEBOARD_MIN * np.exp(priors.FREEBOARD_SPREAD * normal), dtype=np.float64)
    return np.full(normal.size, known_min)


def _season_guess(duty: float | None) -> SeasonBelief:
    """A season from the share of time that the pump runs now, or from nothing."""
    per_day = 86_400.0 / 12.0
    level = max(priors.DUTY if duty is None else duty, 0.002)
    root = np.diag([priors.DUTY_SPREAD if duty is None else 0.8, 0.5, 0.5, 0.2, 0.2])
    return SeasonBelief(np.array([np.log(level * per_day), 0.0, 0.0, 0.0, 0.0]), root, priors.DAY_SPREAD, per_day)


def _storms_guess(normal: Array) -> PeakDraws:
    """Hours that bring more than the pump lifts, by the priors: for where the record does not tell of them."""
    rate = priors.TAIL_RATE * np.exp(priors.TAIL_SPREAD * normal)
    return PeakDraws(1.0, rate, np.full(normal.size, priors.TAIL_SCALE), np.full(normal.size, 0.1))
