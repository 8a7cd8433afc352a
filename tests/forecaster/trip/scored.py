"""How good the chance of a wet floor is: simulated houses, each with a record, a trip, and one future or more.

`python -m tests.forecaster.trip.scored --trips 2000` prints the reliability table, the scores and the helps of the
handbook. The record is studied by the program's own studies of season and storms.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from forecaster.domain.times import DAY_MS, YEAR_DAYS
from forecaster.health.season import season_document
from forecaster.health.storm import storm_document
from forecaster.maths.arrays import Array
from forecaster.record.frames import days_frame
from forecaster.record.peaks import PeakDraws
from forecaster.trip.chance import WetFloor, wet_floor
from forecaster.trip.helping import CHANGES
from forecaster.trip.house import OutageRecord, PackState, TripHouse, TripSpan
from forecaster.water.seasonal import SeasonBelief
from tests.forecaster.health.scored import SITE
from tests.forecaster.trip.world import (
    CHANGED,
    START_DAY,
    START_MS,
    TrueHouse,
    chances,
    drawn_house,
    gets_wet,
    outages,
    record,
    water,
)


@dataclass(frozen=True)
class SiteTrip:
    """A trip of a house: what was told before, and what share of its futures got wet."""

    told: float
    low: float
    high: float
    wet: float
    helped: dict[str, tuple[float, float]]


def known(house: TrueHouse, share: Array, rng: np.random.Generator) -> TripHouse:
    """What a house's record tells the model."""
    days = share.size // 24
    table = days_frame(record(share))
    now_ms = START_MS + days * DAY_MS
    season, storm = season_document(SITE, table, now_ms)["draws"], storm_document(SITE, table, now_ms)["draws"]
    own = [(at, hours) for at, hours in outages(house, share, rng) if hours >= 5.0 / 60.0]
    daily = share.reshape(-1, 24).mean(axis=1)
    wet = daily > np.quantile(daily, 0.8)
    return TripHouse(
        OutageRecord(days / YEAR_DAYS, tuple(hours for _, hours in own), sum(bool(wet[at // 24]) for at, _ in own)),
        PackState(house.wh / 100.0, 100.0, house.base_w, house.pump_w, proven_days=house.proven_days, spread=0.1),
        house.freeboard_min, None if season is None else SeasonBelief.of(season),
        None if storm is None else PeakDraws.of(storm), duty=float(np.minimum(share[-48:], 1.0).mean()),
        pump_wear=house.wear, reach_h=house.reach_h, heard=1.0,
    )  # fmt: skip


def lived(seed: int, futures: int, helped_by: Sequence[str] = ()) -> SiteTrip:
    """One trip: the record, the answer, and what came; helped_by : keys of CHANGED, each lived through as well."""
    rng = np.random.default_rng(seed)
    house = drawn_house(rng)
    days, length = int(rng.uniform(60, 1200)), int(np.exp(rng.uniform(np.log(3.0), np.log(120.0))))
    share = water(house, 24 * days, START_DAY, rng)
    told_house = known(house, share, rng)
    now = START_DAY + days
    span = TripSpan(now, now, now + length)
    floor = wet_floor(told_house, span)
    after: dict[str, WetFloor] = {}
    for what in helped_by:
        changed = CHANGES[what](told_house)
        if changed is not None:
            after[what] = wet_floor(changed, span)
    wet, helped = 0, dict.fromkeys(after, 0)
    for _ in range(futures):
        ahead = water(house, 24 * length, now, rng)
        luck = chances(house, ahead, rng)
        wet += gets_wet(house, ahead, luck)
        for what in helped:
            helped[what] += gets_wet(CHANGED[what](house), ahead, luck)
    low, _, high = floor.quantiles()
    both = {what: (one.mean, helped[what] / futures) for what, one in after.items()}
    return SiteTrip(floor.mean, low, high, wet / futures, both)


def brier(trips: Sequence[SiteTrip]) -> tuple[float, float]:
    """Brier score of what was told, and of the base rate told for all."""
    told, wet = np.array([trip.told for trip in trips]), np.array([trip.wet for trip in trips])
    base = float(wet.mean())
    return float((wet * (1.0 - told) ** 2 + (1.0 - wet) * told**2).mean()), base * (1.0 - base)


def reliability(trips: Sequence[SiteTrip], parts: int = 8) -> list[tuple[int, float, float, float]]:
    """Trips in equal parts by the chance told: how many, the mean told, the share wet, its standard error."""
    ordered = sorted(trips, key=lambda trip: trip.told)
    rows = []
    for part in np.array_split(np.arange(len(ordered)), parts):
        of = [ordered[place] for place in part]
        wet = np.array([trip.wet for trip in of])
        error = float(wet.std(ddof=1) / np.sqrt(wet.size))
        rows.append((len(of), float(np.mean([trip.told for trip in of])), float(wet.mean()), error))
    return rows


def helps(trips: Sequence[SiteTrip]) -> list[tuple[str, int, float, float, float, float]]:
    """For each help over the trips where it applies: count, told before and after, wet before and after."""
    rows = []
    for what in CHANGED:
        of = [trip for trip in trips if what in trip.helped]
        if of:
            before = (float(np.mean([t.told for t in of])), float(np.mean([t.wet for t in of])))
            after = np.mean([t.helped[what] for t in of], axis=0)
            rows.append((what, len(of), before[0], float(after[0]), before[1], float(after[1])))
    return rows


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--trips", type=int, default=200)
    parser.add_argument("--futures", type=int, default=1)
    parser.add_argument("--seed", type=int, default=50_000)
    parser.add_argument("--helps", nargs="*", default=[], choices=list(CHANGED), help="which of them are lived through")
    asked = parser.parse_args()
    trips = [lived(asked.seed + n, asked.futures, asked.helps) for n in range(asked.trips)]
    told, base = brier(trips)
    lines = [f"Brier {told:.4f}, base rate {base:.4f}, skill {1.0 - told / base:.3f}"]
    lines += [f"| {n} | {said:.2%} | {wet:.2%} | {error:.2%} |" for n, said, wet, error in reliability(trips)]
    lines += [
        f"| {what} | {n} | {a:.2%} → {b:.2%} | {c:.2%} → {d:.2%} |" for what, n, a, b, c, d in helps(trips)
    ]  # fmt: skip
    sys.stdout.write("\n".join(lines) + "\n")


if __name__ == "__main__":
    main()
