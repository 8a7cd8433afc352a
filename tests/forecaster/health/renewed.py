"""Parts that people put in anew: what is said of them where the work was told of and where it was not, and of the gain.

`python -m tests.forecaster.health.renewed --houses 12 --seed 70000` prints the table of the handbook.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from forecaster.domain.longrecord import HousePart, WorkDone, WorkKind
from forecaster.domain.times import DAY_MS
from forecaster.health.helped import helped
from forecaster.health.judged import PartHealth, Range
from forecaster.health.studying import parts_of_pump
from forecaster.maths.arrays import Array
from forecaster.record.frames import days_frame
from tests.forecaster.health.scored import SITE, TOLD
from tests.forecaster.health.world import START_MS, Sampling, Truth, drawn, inflow, late_share, record_in, still

BROKE, MENDED, DAYS = 200, 240, 300
REPEATS = 4
AT_MS = START_MS + MENDED * DAY_MS
A_DAY = 0.02 / 30.4


@dataclass(frozen=True)
class Renewal:
    """Work on a part: what the house is like before and after, and what truly changed on that day, see `helped`.

    change : for the float the share of starts for which it hangs, see `_changed`
    """

    name: str
    kind: WorkKind
    truth: Callable[[Truth], Truth]
    change: float


def _between(value: float) -> Callable[[Array], Array]:
    return lambda day: np.where((day >= BROKE) & (day < MENDED), value, 0.0)


def _flow(before: Callable[[Array], Array], after: float) -> Callable[[Truth], Truth]:
    return lambda truth: replace(truth, flow=lambda day: np.where(day < MENDED, before(day), after))


RENEWALS = (
    Renewal("new pump for a worn one, 10 % stronger", WorkKind.NEW_PUMP, _flow(lambda day: 1.0 - A_DAY * day, 1.1),
            1.1 / (1.0 - A_DAY * MENDED) - 1.0),
    Renewal("new pump, 20 % weaker", WorkKind.NEW_PUMP, _flow(np.ones_like, 0.8), -0.2),
    Renewal("new float for one that sticks in 10 %", WorkKind.NEW_FLOAT,
            lambda truth: replace(truth, sticks=_between(0.1)), -0.1),
    Renewal("new valve for one that leaks 30 %", WorkKind.NEW_VALVE,
            lambda truth: replace(truth, leak=_between(0.3)), -0.3),
)  # fmt: skip


@dataclass(frozen=True)
class Walked:
    """Every part two months after the work, where it was told of (noted) and where it was not; the gain told, and what
    truly changed."""

    noted: dict[HousePart, PartHealth]
    unnoted: dict[HousePart, PartHealth]
    gain: Range | None
    change: float


def walked(renewal: Renewal, sampling: Sampling, seed: int) -> Walked:
    """One house with work done on MENDED."""
    rng = np.random.default_rng(seed)
    truth = renewal.truth(drawn(rng))
    flows_in = inflow(truth, DAYS, rng)
    table = days_frame(record_in(flows_in, truth, sampling, rng))
    work = WorkDone("w", SITE.id, AT_MS, renewal.kind, "", "owner", AT_MS)
    noted, unnoted = (
        {part.part: part for part in parts_of_pump(SITE, table, done, "")} for done in ([work], [])
    )  # fmt: skip
    change = _changed(renewal, truth, flows_in, seed)
    return Walked(noted, unnoted, helped(SITE, work, 0, table, (), ()), change)


def _changed(renewal: Renewal, truth: Truth, flows_in: Array, seed: int) -> float:
    """What truly changed: of a float the share of starts that come late by more than half a wait, see `late_share`.

    That is counted in the same water with one that hangs all the time and with a sound one, REPEATS times.
    """
    if renewal.kind is not WorkKind.NEW_FLOAT:
        return renewal.change
    rng = np.random.default_rng(seed)
    sound, hanging = (
        np.mean([late_share(replace(truth, sticks=still(share)), flows_in, rng) for _ in range(REPEATS)])
        for share in (0.0, -renewal.change)
    )
    return float(sound - hanging)


def row(renewal: Renewal, sampling: Sampling, houses: int, seed: int) -> str:
    """A row of the table: gains that lay within, and parts told of two months after the work."""
    every = [walked(renewal, sampling, seed + number) for number in range(houses)]
    gains = [(one.gain, one.change) for one in every if one.gain is not None]
    within = sum(gain[0] <= change <= gain[2] for gain, change in gains)
    told, untold = (
        "; ".join(f"{part.value} {n}" for part in HousePart if (n := sum(_told(parts, part) for parts in of)))
        for of in ([one.noted for one in every], [one.unnoted for one in every])
    )
    return f"| {renewal.name} | {sampling.value} | {within} of {len(gains)} of {houses} | {told} | {untold} |"


def _told(parts: dict[HousePart, PartHealth], part: HousePart) -> bool:
    return part in parts and parts[part].state in TOLD


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--houses", type=int, default=12)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--sampling", default="", help="only those whose name holds this")
    asked = parser.parse_args()
    for sampling in (one for one in (Sampling.ONE, Sampling.TEN, Sampling.ON_CHANGE, Sampling.FLOAT)
                     if asked.sampling in one.value):  # fmt: skip
        for renewal in RENEWALS:
            sys.stdout.write(row(renewal, sampling, asked.houses, asked.seed) + "\n")
            sys.stdout.flush()


if __name__ == "__main__":
    main()
