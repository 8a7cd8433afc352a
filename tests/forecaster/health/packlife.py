"""Packs over ten years, tested now and then: fading ones, steady ones, and ones that another takes the place of.

`python -m tests.forecaster.health.packlife --packs 40 --seed 70000` prints the row of the handbook.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from statsmodels.regression.linear_model import GLS

from forecaster.domain.discharge import DischargeTest
from forecaster.domain.longrecord import PartState, WorkDone, WorkKind
from forecaster.domain.site import Site
from forecaster.domain.times import DAY_MS, YEAR_DAYS
from forecaster.health.helped import helped
from forecaster.health.judged import PartHealth, Range
from forecaster.health.packs import FADED, capacity, capacity_points, losses
from forecaster.record.frames import days_frame
from forecaster.twin.draw import nameplate
from tests.forecaster.health.scored import CERTAIN, TOLD
from tests.forecaster.rehearsals import START_MS, a_duty, calm_truth, tested_at

YEARS = 10.0


@dataclass(frozen=True)
class PackLife:
    """A pack's tests, and its truth: loss a year as a share of the first capacity, and the year in which another pack
    that is as it was when new took its place; None: none did."""

    site: Site
    tests: tuple[DischargeTest, ...]
    fade: float
    renewed: float | None

    def left(self, year: float) -> float:
        """What the pack holds in a year, as a share of its first capacity."""
        return _left(self.fade, self.renewed, year)


def _left(fade: float, renewed: float | None, year: float) -> float:
    return 1.0 - fade * (year if renewed is None or year < renewed else year - renewed)


def pack_life(seed: int, *, fade: float | None = None, renewed: bool = False) -> PackLife:
    """A pack of one of many houses, tested once or twice a year, 15 to 60 % deep, in calm weather.

    fade : loss a year as a share of its first capacity; None: of 2 to 6 %. It gives 2 % more or less each time.
    """
    rng = np.random.default_rng([seed, 0x0AC4])
    while True:
        truth, gap = calm_truth(rng), float(rng.choice([0.5, 1.0]))
        a_year = float(rng.uniform(0.02, 0.06)) if fade is None else fade
        at = float(rng.uniform(4.0, 7.0)) if renewed else None
        years = np.arange(0.0, YEARS, gap) + rng.uniform(0.0, 0.1, round(YEARS / gap))
        site, duty = nameplate(f"life-{seed}", truth, (), rng), a_duty(rng)
        tests = [tested_at(site, truth, year, _left(a_year, at, year), duty, rng) for year in years.tolist()]
        made = tuple(test for test in tests if test is not None)
        if len(made) == years.size:
            return PackLife(site, made, a_year, at)


def year_of(test: DischargeTest) -> float:
    """Years since the pack was new."""
    return ((test.finished_ms or 0) - START_MS) / DAY_MS / YEAR_DAYS


def judged(life: PackLife, tests: Sequence[DischargeTest], since_ms: int = 0) -> PartHealth:
    """What the study says of the capacity right after the last of some tests."""
    return capacity(life.site, tests, (), since_ms, tests[-1].finished_ms or 0)


def told_years(life: PackLife) -> float | None:
    """Years after the pack has lost FADED in truth at which that is told, test by test; None: never."""
    for count in range(2, len(life.tests) + 1):
        if judged(life, life.tests[:count]).state in TOLD:
            return year_of(life.tests[count - 1]) - FADED / life.fade
    return None


def limit_years(life: PackLife) -> float | None:
    """The same of the best test that knows the pack fades by a straight line, and what each test errs by."""
    for count in range(3, len(life.tests) + 1):
        points = capacity_points(life.site, life.tests[:count], (), 0)
        years = (points.day - points.day[0]) / YEAR_DAYS
        line = GLS(points.value, np.column_stack([np.ones(count), years]), sigma=points.covariance)
        fitted = line.fit(cov_type="fixed scale")
        if -fitted.params[1] >= CERTAIN * fitted.bse[1]:
            return year_of(life.tests[count - 1]) - FADED / life.fade
    return None


@dataclass(frozen=True)
class Renewed:
    """What was said of a pack whose place another took.

    unnoted : what the studies say of the capacity after it, test by test, where nobody told of the work
    noted : the same where the work was told of; early : how many of these while less than half of FADED was lost again
    gain : the true one, and the range told once both packs were tested
    """

    unnoted: tuple[PartHealth, ...]
    noted: tuple[PartHealth, ...]
    early: int
    gain: tuple[float, Range | None]


def renewed(life: PackLife) -> Renewed:
    """Walk a pack's tests past the day on which another took its place."""
    assert life.renewed is not None
    at_ms = START_MS + round(life.renewed * YEAR_DAYS * DAY_MS)
    first = next(k for k, test in enumerate(life.tests) if (test.finished_ms or 0) >= at_ms)
    ends = range(first + 1, len(life.tests) + 1)
    work = WorkDone("w", life.site.id, at_ms, WorkKind.NEW_PACK, "", "owner", at_ms)
    before, after = (life.left(year_of(life.tests[at])) for at in (first - 1, first))
    told = helped(life.site, work, 0, days_frame([]), life.tests, ())
    return Renewed(
        tuple(judged(life, life.tests[:end]) for end in ends),
        tuple(judged(life, life.tests[:end], at_ms) for end in ends),
        sum(life.left(year_of(life.tests[end - 1])) > 1.0 - 0.5 * FADED for end in ends),
        (after / before - 1.0, told),
    )


def false_tellings(life: PackLife) -> tuple[int, int]:
    """Whether a steady pack was told as fading, and as using more itself, at any of its tests."""
    ends = range(2, len(life.tests) + 1)
    faded = any(judged(life, life.tests[:end]).state in TOLD for end in ends)
    uses = any(losses(life.tests[:end], 0).state in TOLD for end in ends)
    return int(faded), int(uses)


def rows(packs: int, seed: int) -> str:
    """The figures of the handbook, in words."""
    fading = [pack_life(seed + n) for n in range(packs)]
    reach = [life for life in fading if FADED / life.fade <= YEARS - 1.5]
    told, limits = [told_years(life) for life in reach], [limit_years(life) for life in reach]
    delays, bests = ([year for year in of if year is not None] for of in (told, limits))
    false = np.array([false_tellings(pack_life(seed + n, fade=0.0)) for n in range(packs)])
    again = [renewed(pack_life(seed + n, renewed=True)) for n in range(packs)]
    held = [told[0] <= true <= told[2] for true, told in (one.gain for one in again) if told is not None]
    unnoted = [[part.state for part in one.unnoted] for one in again]
    blind = sum(all(state is PartState.UNKNOWN for state in one) for one in unnoted)
    wrong = sum(any(state in TOLD for state in one) for one in unnoted)
    early = sum(any(part.state in TOLD for part in one.noted[: one.early]) for one in again)
    return (
        f"fading: told {len(delays)} of {len(reach)}, {np.median(delays):.1f} years after 10 % was lost"
        f" (10 to 90 %: {np.quantile(delays, 0.1):.1f} to {np.quantile(delays, 0.9):.1f}); limit {len(bests)},"
        f" {np.median(bests):.1f}\n"
        f"steady, of {packs} in {YEARS:.0f} years: fading told {false[:, 0].sum()}, losses told {false[:, 1].sum()}\n"
        f"another pack, untold: unknown from then on {blind} of {packs}, told as faded {wrong}\n"
        f"another pack, told: as faded too early {early};"
        f" gain within {sum(held)} of {len(held)}\n"
    )


def main() -> None:
    """Print them."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--packs", type=int, default=40)
    parser.add_argument("--seed", type=int, default=0)
    asked = parser.parse_args()
    sys.stdout.write(rows(asked.packs, asked.seed))


if __name__ == "__main__":
    main()
