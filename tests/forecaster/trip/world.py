"""Simulated houses with a record and a future, hour by hour: rain, outages, failures and people, and what gets wet.

Nothing of the model is used here: the water is a series, an outage takes the pack down hour by hour, and the floor is
wet when the freeboard is full. What people save and how often they can come is drawn from the model's own guesses: that
part is assumed by both, and not checked.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, datetime

import numpy as np
from scipy.signal import lfilter

from forecaster.domain.longrecord import Day
from forecaster.domain.quantities import Quantity
from forecaster.domain.times import DAY_MS, YEAR_DAYS
from forecaster.maths.arrays import Array
from forecaster.trip import priors
from forecaster.water.seasonal import BETWEEN_YEARS

START_MS = int(datetime(2023, 1, 1, tzinfo=UTC).timestamp() * 1000)
START_DAY = START_MS / DAY_MS
HOURS_A_YEAR = YEAR_DAYS * 24.0
RUN_S = 12.0


@dataclass(frozen=True)
class TrueHouse:
    """The truth of a house. Rates a year; hours of outages by the mean and spread of their logarithm; shares of the
    pump; the pack in Wh and W, and the share of it that it is charged to on mains; people in hours."""

    outages: float
    log_hours: float
    hours_spread: float
    stormy: float
    base: float
    swing: float
    wettest: float
    storms: float
    storm_size: float
    freeboard_min: float
    wh: float
    base_w: float
    pump_w: float
    pump_dies: float
    float_dies: float
    wear: float
    pack_at_once: float
    pack_decays: float
    proven_days: float
    heard: float
    there: float
    reach_h: tuple[float, ...]
    pumps: int = 1
    generator: bool = False
    charged: float = 1.0


def drawn_house(rng: np.random.Generator) -> TrueHouse:
    """One house of many, a few of them frail."""
    reach = [] if rng.uniform() < 0.4 else [float(np.exp(rng.normal(1.0, 1.0)))]
    return TrueHouse(
        outages=float(rng.gamma(1.5, 1.3 / 1.5)), log_hours=float(rng.normal(np.log(1.2), 0.5)),
        hours_spread=float(rng.uniform(1.1, 1.9)), stormy=float(rng.beta(3.0, 3.0)),
        base=float(np.exp(rng.normal(np.log(0.03), 0.9))), swing=float(rng.uniform(0.0, 0.8)),
        wettest=float(rng.uniform(0.0, 365.0)), storms=float(rng.uniform(15.0, 50.0)),
        storm_size=float(rng.uniform(0.03, 0.12)), freeboard_min=float(np.exp(rng.normal(np.log(0.5), 0.7))),
        wh=float(np.exp(rng.normal(np.log(900.0), 0.7))), base_w=float(rng.uniform(20.0, 60.0)), pump_w=545.0,
        pump_dies=float(priors.PUMP_FAILS * np.exp(priors.PUMP_SPREAD * rng.normal())),
        float_dies=float(priors.FLOAT_FAILS * np.exp(priors.FLOAT_SPREAD * rng.normal())),
        wear=float(rng.choice([1.0, priors.WEAR["watch"], priors.WEAR["act"]], p=[0.8, 0.1, 0.1])),
        pack_at_once=float(rng.beta(priors.PACK_FAILED, priors.PACK_HELD)),
        pack_decays=float(priors.PACK_DECAYS * np.exp(priors.PACK_SPREAD * rng.normal())),
        proven_days=float(rng.uniform(0.0, 900.0)), heard=float(rng.beta(9.0, 1.0)), there=float(rng.beta(7.0, 3.0)),
        reach_h=tuple(reach),
    )  # fmt: skip


def water(house: TrueHouse, hours: int, first_day: float, rng: np.random.Generator) -> Array:
    """Inflow of every hour as a share of the pump: a season that differs from year to year, storms, a wobble."""
    day = first_day + np.arange(hours) / 24.0
    years = np.floor(day / YEAR_DAYS).astype(np.int64)
    strays = dict(zip(sorted(set(years.tolist())), rng.normal(0.0, BETWEEN_YEARS, hours), strict=False))
    level = np.log(house.base) + house.swing * np.cos(2.0 * np.pi * (day - house.wettest) / YEAR_DAYS)
    level = level + np.array([strays[year] for year in years.tolist()])
    storm = np.zeros(hours)
    for at in rng.uniform(0.0, hours, rng.poisson(house.storms * hours / HOURS_A_YEAR)):
        since = np.arange(hours - int(at))
        size = house.storm_size * (rng.pareto(4.0) + 0.2)
        storm[int(at) :] += size * (0.8 * np.exp(-since / rng.uniform(3.0, 10.0)) + 0.2 * np.exp(-since / 60.0))
    wobble = lfilter([1.0], [1.0, -0.97], rng.normal(0.0, 0.05, hours))
    return np.asarray(np.exp(level + wobble) + storm, dtype=np.float64)


def record(share: Array) -> list[Day]:
    """The daily table of whole days of inflow; the pump runs all the hour where more comes than it lifts."""
    ran = np.minimum(share, 1.0).reshape(-1, 24) * 3600.0
    days = []
    for number, hours in enumerate(ran):
        ran_s = float(hours.sum())
        runs = max(1, round(ran_s / (RUN_S * 1.1)))
        start_ms = START_MS + number * DAY_MS
        six = float(np.convolve(hours, np.ones(6)).max())
        days.append(Day(
            "larkspur", datetime.fromtimestamp(start_ms / 1000.0, UTC).date().isoformat(), start_ms, start_ms + DAY_MS,
            heard_s=86_400.0, sampled_s=60.0, runs=runs, measured=runs, samples=2 * runs, run_s=ran_s, cycles=runs,
            peak_hour_s=float(hours.max()), peak_six_hours_s=six, source=Quantity.PUMP_POWER.value, told=runs,
            told_s=ran_s, told_s2=1.01 * ran_s**2 / runs, paired=runs, dry_s=RUN_S * runs,
            dry_s2=1.002 * RUN_S**2 * runs,
        ))  # fmt: skip
    return days


def outages(house: TrueHouse, share: Array, rng: np.random.Generator) -> list[tuple[int, float]]:
    """Outages: the hour in which each begins, and how long it lasts [h]; those in storms come in the wettest days."""
    number = rng.poisson(house.outages * share.size / HOURS_A_YEAR)
    daily = share[: share.size // 24 * 24].reshape(-1, 24).mean(axis=1)
    wet = np.flatnonzero(np.repeat(daily >= np.quantile(daily, priors.STORM_WET), 24))
    found = []
    for _ in range(number):
        stormy = rng.uniform() < house.stormy
        at = int(rng.choice(wet)) if stormy else int(rng.integers(share.size))
        longer = np.log(priors.STORM_LONGER) * (1.0 if stormy else -1.0)
        found.append((at, float(np.exp(rng.normal(house.log_hours + longer, house.hours_spread)))))
    return sorted(found)


@dataclass(frozen=True)
class Chances:
    """Random numbers of one future, drawn before anything is changed, so that a change is compared on the same ones."""

    outages: list[tuple[int, float]]
    fails: Array
    dies_h: float
    sticks_h: float
    both: float
    people: Array
    heard: float
    saved: float


def chances(house: TrueHouse, share: Array, rng: np.random.Generator) -> Chances:
    """One future's luck."""
    found = outages(house, share, rng)
    return Chances(
        found, rng.uniform(size=len(found) + 1), float(rng.exponential()), float(rng.exponential()),
        float(rng.uniform()), rng.uniform(size=8), float(rng.uniform()), float(rng.uniform()),
    )  # fmt: skip


def gets_wet(house: TrueHouse, share: Array, luck: Chances) -> bool:
    """Whether the floor is wet within the hours of the trip."""
    events = [*_by_outages(house, share, luck), *_by_pump(house, share, luck), *by_inflow(house, share)]
    return any(not _saved(house, cause, notice_h, luck) for cause, notice_h in events)


def _by_outages(house: TrueHouse, share: Array, luck: Chances) -> list[tuple[str, float]]:
    found = []
    for (at, lasts_h), chance in zip(luck.outages, luck.fails, strict=False):
        fails = chance < pack_fails(house, at)
        wet_h = wet_after_h(house, share, at, lasts_h, fails)
        if wet_h is not None:
            found.append(("pack" if fails else "outage", wet_h))
    return found


def pack_fails(house: TrueHouse, at: int) -> float:
    """Chance that the pack does not carry the pump in an outage that begins so many hours after leaving."""
    hidden = 1.0 - np.exp(-house.pack_decays * (house.proven_days + at / 24.0) / YEAR_DAYS)
    return float(1.0 - (1.0 - house.pack_at_once) * (1.0 - hidden))


def wet_after_h(house: TrueHouse, share: Array, at: int, lasts_h: float, fails: bool) -> float | None:
    """How long after its beginning an outage wets the floor within the trip [h]; None: it does not."""
    left_wh, left_min = (0.0 if fails else house.charged * house.wh), house.freeboard_min
    passed = 0.0
    while passed < lasts_h and at + passed < share.size:
        flow, step_h = float(share[int(at + passed)]), min(0.25, lasts_h - passed)
        watts = house.base_w + house.pump_w * min(flow, 1.0)
        carried = min(step_h, left_wh / watts)
        left_wh -= carried * watts
        fills_h = left_min / (60.0 * flow)
        if fills_h <= step_h - carried:
            return passed + carried + fills_h
        left_min -= flow * 60.0 * (step_h - carried)
        passed += step_h
    return None


def _by_pump(house: TrueHouse, share: Array, luck: Chances) -> list[tuple[str, float]]:
    rate = house.pump_dies * house.wear
    at = min(luck.dies_h / rate, luck.sticks_h / house.float_dies) * HOURS_A_YEAR
    if at >= share.size or (house.pumps > 1 and luck.both > priors.SECOND_PUMP_TOO):
        return []
    return by_dead_pump(house, share, int(at))


def by_dead_pump(house: TrueHouse, share: Array, at: int) -> list[tuple[str, float]]:
    """What comes of a pump that is dead from an hour on: the cause and the notice [h]; nothing where it stays dry."""
    risen = np.cumsum(share[at:]) * 60.0
    filled = np.flatnonzero(risen >= house.freeboard_min)
    if not filled.size:
        return []
    hour = int(filled[0])
    above_min = float(risen[hour]) - house.freeboard_min
    return [("pump", 0.5 * (hour + 1.0 - above_min / (60.0 * float(share[at + hour]))))]


def by_inflow(house: TrueHouse, share: Array) -> list[tuple[str, float]]:
    over = np.maximum(share - house.pumps, 0.0) * 60.0
    return [("inflow", 0.4)] if bool((over >= house.freeboard_min).any()) else []


def _saved(house: TrueHouse, cause: str, notice_h: float, luck: Chances) -> bool:
    if luck.heard > house.heard:
        return False
    saves = (priors.SAVES_GENERATOR if house.generator else priors.SAVES)[cause]
    places = range(min(len(house.reach_h), 4))
    comes = any(
        luck.people[2 * place] < house.there and luck.people[2 * place + 1] < in_time(house.reach_h[place], notice_h)
        for place in places
    )
    return comes and luck.saved < saves


def in_time(reach_h: float, notice_h: float) -> float:
    """Chance that somebody who sets out at a notice is there before the floor is wet."""
    late = np.log(max(notice_h - priors.NOTICE_H, 1e-9) / reach_h) / priors.REACH_SPREAD
    return float(np.clip(0.5 + late / 3.4, 0.0, 1.0))


CHANGED: dict[str, Callable[[TrueHouse], TrueHouse]] = {
    "another-pack": lambda house: replace(house, wh=2.0 * house.wh),
    "charge-limit": lambda house: replace(house, charged=1.0),
    "rehearsal": lambda house: replace(house, proven_days=0.0),
    "new-float": lambda house: replace(house, float_dies=priors.NEW_FLOAT * house.float_dies),
    "pump-cleaned": lambda house: replace(house, wear=1.0),
    "second-pump": lambda house: replace(house, pumps=2),
    "neighbour": lambda house: replace(house, reach_h=(*house.reach_h, 2.0)),
    "generator": lambda house: replace(house, generator=True),
}
"""What each help changes in the truth."""
