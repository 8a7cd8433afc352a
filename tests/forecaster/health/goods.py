"""How often a part is called good where it is not, and where it is: houses with a fault that is old enough to be told.

`python -m tests.forecaster.health.goods --houses 12 --days 21 38 84` prints the table of the handbook.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace

import numpy as np

from forecaster.domain.longrecord import HousePart, PartState
from forecaster.maths.arrays import Array
from forecaster.record.frames import days_frame
from tests.forecaster.health.scored import JUDGES, SITE
from tests.forecaster.health.world import Sampling, Truth, drawn, record


@dataclass(frozen=True)
class Fault:
    """A fault: the parts of which one must not be called good, its age at the last look [days], and what it does to a
    house, by the day on which it began."""

    name: str
    parts: tuple[HousePart, ...]
    age: int
    truth: Callable[[Truth, float], Truth]


def _from(value: float, begun: float) -> Callable[[Array], Array]:
    return lambda day: np.where(day >= begun, value, 0.0)


def _clog(over_days: float) -> Callable[[Truth, float], Truth]:
    return lambda truth, begun: replace(
        truth, flow=lambda day: 1.0 - 0.4 * np.clip((day - begun) / over_days, 0.0, 1.0)
    )


QUIET = Fault("nothing", tuple(JUDGES), 0, lambda truth, _: truth)
FLOW = (HousePart.PUMP_FLOW, HousePart.DISCHARGE_LINE)
CLOG = Fault("clog of 40 % in six days", FLOW, 10, _clog(6.0))
SLOW_CLOG = Fault("clog of 40 % in two weeks", FLOW, 18, _clog(14.0))
LEAK = Fault("valve leaks 30 %", (HousePart.CHECK_VALVE,), 14,
             lambda truth, begun: replace(truth, leak=_from(0.3, begun)))  # fmt: skip
OLD_LEAK = Fault("valve leaks 30 % from the start", (HousePart.CHECK_VALVE,), 0,
                 lambda truth, _: replace(truth, leak=_from(0.3, -1.0)))  # fmt: skip
FAULTS = (
    QUIET, CLOG, SLOW_CLOG, LEAK, replace(LEAK, age=60, name="valve leaks 30 %, since 60 days"), OLD_LEAK,
    Fault("float sticks in 10 %", (HousePart.FLOAT,), 14,
          lambda truth, begun: replace(truth, sticks=_from(0.1, begun))),
    Fault("a fifth less power", (HousePart.PUMP_POWER,), 7,
          lambda truth, begun: replace(truth, watts=lambda day: np.where(day >= begun, 0.8, 1.0))),
)  # fmt: skip


def states(fault: Fault, sampling: Sampling, days: int, seed: int) -> dict[HousePart, PartState]:
    """The states of a fault's parts at the end of a house's record of so many days."""
    rng = np.random.default_rng(seed)
    table = days_frame(record(fault.truth(drawn(rng), days - fault.age), sampling, days, rng))
    return {part: JUDGES[part](SITE, table).state for part in fault.parts}


def row(fault: Fault, sampling: Sampling, days: int, seeds: Iterable[int]) -> str:
    """A row of the table: how many houses were called what, part by part."""
    every = [states(fault, sampling, days, seed) for seed in seeds]
    said = []
    for part in fault.parts:
        counts = Counter(one[part] for one in every)
        said.append(" ".join([part.value, *(f"{state.value} {n}" for state in PartState if (n := counts[state]))]))
    return f"| {fault.name} | {sampling.value} | {days} | {'; '.join(said)} |"


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--houses", type=int, default=12)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--days", type=int, nargs="+", default=[21, 28, 38, 50, 64, 84])
    parser.add_argument("--sampling", default="", help="only those whose name holds this")
    parser.add_argument("--fault", default="", help="only those whose name holds this")
    asked = parser.parse_args()
    for sampling in (one for one in Sampling if asked.sampling in one.value):
        for fault in (one for one in FAULTS if asked.fault in one.name):
            for days in (one for one in asked.days if one > fault.age):
                seeds = range(asked.seed, asked.seed + asked.houses)
                sys.stdout.write(row(fault, sampling, days, seeds) + "\n")
                sys.stdout.flush()


if __name__ == "__main__":
    main()
