"""How good the inflow is beyond two days, without and with the season: simulated houses, each with a record.

`python -m tests.forecaster.water.scored --houses 12` prints the table of the handbook. The water is that of the scored
trips, which knows nothing of the model; the record is studied by the program's own study of the season.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from forecaster.domain.times import DAY_MS, HOUR_MS
from forecaster.engine.reserve import ahead_grid_s
from forecaster.health.season import season_document
from forecaster.maths.arrays import Array
from forecaster.record.frames import days_frame
from forecaster.water.inflow import Inflow
from forecaster.water.seasonal import SeasonBelief, SeasonStudy
from tests.forecaster.health.scored import SITE
from tests.forecaster.trip.world import START_DAY, START_MS, drawn_house, record, water

LEARNT_DAYS, AHEAD_DAYS = 28, 14
LASTS_DAYS = (3.0, 5.0, 8.0)
"""The packs last so long in truth [days]."""

IDLE_W = 10.0
LEVELS = (0.1, 0.5, 0.9)
HOURS: Array = ahead_grid_s() / 3600.0


@dataclass(frozen=True)
class House:
    """What is known of a house now, and what came. later_wh : (T,) — the pump's energy until each whole hour [Wh]"""

    inflow: Inflow
    season: SeasonStudy | None
    now_ms: int
    later_wh: Array


def house(seed: int) -> House:
    """A house with a record of 60 to 900 days, heard hour by hour over the last four weeks."""
    rng = np.random.default_rng(seed)
    drawn, days = drawn_house(rng), int(rng.uniform(60, 900))
    share = np.minimum(water(drawn, 24 * (days + AHEAD_DAYS), START_DAY, rng), 1.0)
    now_ms = START_MS + days * DAY_MS
    learnt = season_document(SITE, days_frame(record(share[: 24 * days])), now_ms)["draws"]
    inflow = Inflow(SITE.pump, SITE.pit)
    for hour in range(24 * (days - LEARNT_DAYS), 24 * days):
        start_ms = START_MS + hour * HOUR_MS
        inflow.observe(start_ms, start_ms + HOUR_MS, float(share[hour] * inflow.running_w))
    season = None if learnt is None else SeasonStudy(now_ms, SeasonBelief.of(learnt))
    later = np.concatenate([[0.0], np.cumsum(share[24 * days :]) * inflow.running_w])
    return House(inflow, season, now_ms, later)


def told_h(of: House, season: SeasonStudy | None, lasts_days: float) -> Array:
    """10, 50 and 90 % points of the hours remaining of a pack that lasts so long in truth."""
    of.inflow.season = season
    drain_wh = of.inflow.drawn_ahead(of.now_ms, ahead_grid_s(), 400, 7) + IDLE_W * HOURS
    hours = 24.0 * lasts_days
    budget_wh = IDLE_W * hours + of.later_wh[round(hours)]
    return np.asarray(np.quantile([np.interp(budget_wh, row, HOURS) for row in drain_wh], LEVELS), dtype=np.float64)


def row(told: Sequence[Array], lasts_days: float) -> str:
    """Pinball loss over the truth, median error, and how many 10-90 % ranges held."""
    truth = 24.0 * lasts_days
    points = np.array(told)
    loss = np.maximum(np.array(LEVELS) * (truth - points), (np.array(LEVELS) - 1.0) * (truth - points)).sum(axis=1)
    error = float(np.median(np.abs(points[:, 1] / truth - 1.0)))
    held = int(((points[:, 0] <= truth) & (truth <= points[:, 2])).sum())
    return f"{loss.mean() / truth:.4f} | {error:.1%} | {held} of {len(told)}"


def main() -> None:
    """Print a row for each length, without and with the season."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--houses", type=int, default=12)
    parser.add_argument("--seed", type=int, default=100)
    asked = parser.parse_args()
    houses = [house(asked.seed + number) for number in range(asked.houses)]
    for lasts in LASTS_DAYS:
        for name in ("without", "with"):
            told = [told_h(of, of.season if name == "with" else None, lasts) for of in houses]
            sys.stdout.write(f"| {lasts:g} days | {name} | {row(told, lasts)} |\n")


if __name__ == "__main__":
    main()
