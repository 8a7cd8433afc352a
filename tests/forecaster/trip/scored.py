"""How good the chance of a wet floor is: simulated houses, each with a record, a trip, and one future or more.

`python -m tests.forecaster.trip.scored --trips 2000` prints the reliability table, the scores and the causes of the
handbook, with `--helps` the helps too. The record is studied by the program's own studies of season and storms.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from forecaster.domain.times import DAY_MS, YEAR_DAYS
from forecaster.health.season import season_document
from forecaster.health.storm import storm_document
from forecaster.maths.arrays import Array
from forecaster.record.frames import days_frame
from forecaster.record.peaks import PeakDraws
from forecaster.trip.chance import CAUSES, WetFloor, wet_floor
from forecaster.trip.helping import CHANGES
from forecaster.trip.house import OutageRecord, PackState, TripHouse, TripSpan
from forecaster.water.seasonal import SeasonBelief
from tests.forecaster.health.scored import SITE
from tests.forecaster.trip.expected import expected, luck
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
    """A trip of a house: what was told before, what share of its futures got wet, and what was to be expected.

    causes : cause -> wet floors told and to be expected; helped : help -> the same less, told and to be expected
    """

    told: float
    low: float
    high: float
    wet: float
    causes: dict[str, tuple[float, float]]
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
    calm_h, wet_h = (tuple(hours for at, hours in own if wet[at // 24] == is_wet) for is_wet in (False, True))
    return TripHouse(
        OutageRecord(days / YEAR_DAYS, calm_h, wet_h),
        PackState(house.wh / 100.0, 100.0 * house.charged, house.base_w, house.pump_w,
                  proven_days=house.proven_days, spread=0.1),
        house.freeboard_min, None if season is None else SeasonBelief.of(season),
        None if storm is None else PeakDraws.of(storm), duty=float(np.minimum(share[-48:], 1.0).mean()),
        pump_wear=house.wear, reach_h=house.reach_h, heard=1.0,
    )  # fmt: skip


def lived(seed: int, futures: int, helped_by: Sequence[str] = (), charged: float = 1.0) -> SiteTrip:
    """One trip: the record, the answer, and what came; helped_by : keys of CHANGED, each lived through as well."""
    rng = np.random.default_rng(seed)
    house = replace(drawn_house(rng), charged=charged)
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
    wet = 0
    to_come = {what: dict.fromkeys(CAUSES, 0.0) for what in ("", *after)}
    for _ in range(futures):
        ahead = water(house, 24 * length, now, rng)
        wet += gets_wet(house, ahead, chances(house, ahead, rng))
        drawn = luck(house, ahead, rng)
        for what, sums in to_come.items():
            found = expected(CHANGED[what](house) if what else house, ahead, drawn)
            sums |= {cause: sums[cause] + number / futures for cause, number in found.items()}
    low, _, high = floor.quantiles()
    causes = {cause: (float(floor.causes[cause].mean()), to_come[""][cause]) for cause in CAUSES}
    less = {
        what: (_number(floor) - _number(one), sum(to_come[""].values()) - sum(to_come[what].values()))
        for what, one in after.items()
    }  # fmt: skip
    return SiteTrip(floor.mean, low, high, wet / futures, causes, less)


def _number(floor: WetFloor) -> float:
    """Wet floors told, of all causes."""
    return float(sum(number.mean() for number in floor.causes.values()))


def brier(trips: Sequence[SiteTrip]) -> tuple[float, float]:
    """Brier score of what was told, and of the base rate told for all."""
    told, wet = np.array([trip.told for trip in trips]), np.array([trip.wet for trip in trips])
    base = float(wet.mean())
    return float((wet * (1.0 - told) ** 2 + (1.0 - wet) * told**2).mean()), base * (1.0 - base)


def reliability(trips: Sequence[SiteTrip], parts: int = 8) -> list[tuple[int, float, float, float]]:
    """Trips in equal parts by the chance told: how many, the mean told, the share wet, its standard error."""
    return _in_parts([(trip.told, trip.wet) for trip in trips], parts)


def reckoned(trips: Sequence[SiteTrip], parts: int = 8) -> list[tuple[int, float, float, float]]:
    """The same with the chance that was to be expected in place of what came."""
    sums = [sum(true for _, true in trip.causes.values()) for trip in trips]
    return _in_parts([(trip.told, -float(np.expm1(-true))) for trip, true in zip(trips, sums, strict=True)], parts)


def _in_parts(pairs: Sequence[tuple[float, float]], parts: int) -> list[tuple[int, float, float, float]]:
    ordered = np.array(sorted(pairs))
    return [
        (len(of), float(of[:, 0].mean()), float(of[:, 1].mean()), float(of[:, 1].std(ddof=1) / np.sqrt(len(of))))
        for of in np.array_split(ordered, parts)
    ]


def compared(pairs: Sequence[dict[str, tuple[float, float]]]) -> list[tuple[str, int, float, float, float]]:
    """For each cause or help, over the trips that have it: count, mean told, mean to be expected, standard error of
    their difference."""
    rows = []
    for what in dict.fromkeys(name for each in pairs for name in each):
        told, true = np.array([each[what] for each in pairs if what in each]).T
        error = float(np.std(told - true, ddof=1) / np.sqrt(told.size))
        rows.append((what, told.size, float(told.mean()), float(true.mean()), error))
    return rows


def tables(trips: Sequence[SiteTrip], parts: int = 8) -> str:
    """The scores and tables of the handbook, in so many parts by the chance told."""
    told, base = brier(trips)
    lines = [f"Brier {told:.4f}, base rate {base:.4f}"]
    lines += [f"| {n} | {said:.2%} | {wet:.2%} | {error:.2%} |" for n, said, wet, error in reliability(trips, parts)]
    lines += ["by reckoning:"]
    lines += [f"| {n} | {said:.2%} | {true:.2%} | {error:.2%} |" for n, said, true, error in reckoned(trips, parts)]
    for pairs in ([trip.causes for trip in trips], [trip.helped for trip in trips]):
        lines += [
            f"| {what} | {n} | {100 * said:.3f} | {100 * true:.3f} | {100 * error:.3f} |"
            for what, n, said, true, error in compared(pairs)
        ]
    return "\n".join(lines) + "\n"


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--trips", type=int, default=200)
    parser.add_argument("--futures", type=int, default=1)
    parser.add_argument("--seed", type=int, default=50_000)
    parser.add_argument(
        "--helps", action="store_true", help="live through each help too, which takes ten times as long"
    )
    parser.add_argument("--charged", type=float, default=1.0, help="share that each pack is charged to on mains, 0..1")
    asked = parser.parse_args()
    helps = list(CHANGED) if asked.helps else []
    sys.stdout.write(tables([lived(asked.seed + n, asked.futures, helps, asked.charged) for n in range(asked.trips)]))


if __name__ == "__main__":
    main()
