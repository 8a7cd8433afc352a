"""How soon faults are told, and how often one is told where there is none: site-years simulated run by run.

`python -m tests.forecaster.health.scored --houses 12` prints the table of the handbook.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from forecaster.domain.longrecord import HousePart, PartState, WorkDone, WorkKind
from forecaster.domain.site import Site
from forecaster.domain.times import DAY_MS
from forecaster.health.backflow import DryRuns
from forecaster.health.changes import DailySeries, errors_of, whitened
from forecaster.health.floats import float_switch
from forecaster.health.helped import helped
from forecaster.health.judged import PartHealth, Range
from forecaster.health.measures import flow_series, late_series, need_share, sampled
from forecaster.health.moving import LEAST_NEED, flow_and_line, power
from forecaster.health.trends import LEAST_DAYS
from forecaster.health.valve import check_valve
from forecaster.maths.arrays import Array
from forecaster.record.frames import days_frame
from forecaster.twin.live import larkspur_site
from tests.forecaster.health.wearing import wearing
from tests.forecaster.health.world import START_MS, Sampling, Truth, drawn, record, record_in

ONSET = 200
SITE = replace(larkspur_site(), pit=replace(larkspur_site().pit, area_m2=0.03 / 0.18, drawdown_m=0.18))
TOLD = (PartState.WATCH, PartState.ACT)

JUDGES: dict[HousePart, Callable[[Site, pd.DataFrame], PartHealth]] = {
    HousePart.PUMP_FLOW: lambda site, table: flow_and_line(site, table)[0],
    HousePart.DISCHARGE_LINE: lambda site, table: flow_and_line(site, table)[1],
    HousePart.PUMP_POWER: lambda _, table: power(table),
    HousePart.FLOAT: lambda _, table: float_switch(table),
    HousePart.CHECK_VALVE: lambda _, table: check_valve(table),
}


@dataclass(frozen=True)
class Fault:
    """A fault: what it does to a house, which part must tell of it, when it is looked for, by when it is to be told.

    series : the measure that shows it best; shape : its course in that measure over the days of the record, of any
    size, where beside : (N,) — is what stands beside the measure, or ones
    """

    name: str
    part: HousePart
    truth: Callable[[Truth], Truth]
    looks: Sequence[int]
    onset: int
    aim_days: int
    shape: Callable[[Array, Array], Array]
    series: Callable[[pd.DataFrame], DailySeries]


def _from(value: float) -> Callable[[Array], Array]:
    return lambda day: np.where(day >= ONSET, value, 0.0)


def _flow(table: pd.DataFrame) -> DailySeries:
    return flow_series(table)[0]


def _dry_run(table: pd.DataFrame) -> DailySeries:
    """The dry run, which water that comes back makes shorter, the more so the more flows in."""
    runs = DryRuns.of(table)
    return DailySeries(runs.day, runs.haste, runs.deviation**2, runs.fills[:, None])


def _clog(day: Array) -> Array:
    return np.asarray(1.0 - 0.4 * np.clip((day - ONSET) / 14.0, 0.0, 1.0), dtype=np.float64)


FAULTS = (
    Fault("wear 1 % a month", HousePart.PUMP_FLOW, lambda t: replace(t, flow=lambda d: 1.0 - 0.01 * d / 30.4),
          range(30, 366, 10), 0, 183, lambda d, _: -d, _flow),
    Fault("wear 2 % a month", HousePart.PUMP_FLOW, lambda t: replace(t, flow=lambda d: 1.0 - 0.02 * d / 30.4),
          range(20, 366, 10), 0, 120, lambda d, _: -d, _flow),
    Fault("clog of 40 % in two weeks", HousePart.DISCHARGE_LINE, lambda t: replace(t, flow=_clog),
          range(ONSET + 2, ONSET + 31), ONSET, 3, lambda d, _: _clog(d) - 1.0, _flow),
    Fault("valve leaks 30 %", HousePart.CHECK_VALVE, lambda t: replace(t, leak=_from(0.3)),
          range(ONSET + 3, ONSET + 61), ONSET, 14, lambda d, fills: fills * _from(1.0)(d), _dry_run),
    Fault("float sticks in 10 %", HousePart.FLOAT, lambda t: replace(t, sticks=_from(0.1)),
          range(ONSET + 2, ONSET + 31), ONSET, 14, lambda d, _: _from(1.0)(d), late_series),
)  # fmt: skip

CERTAIN = 3.72
"""Standard errors beyond which one look errs once in ten thousand, so a year of daily looks once in 27."""


@dataclass(frozen=True)
class Met:
    """What became of a fault in one house.

    delay : days, None: never told; unknown : the part was not to be told of
    limit : days after which the best test that knows date and shape is CERTAIN, None: never
    """

    delay: int | None
    unknown: bool
    date_off: float | None
    limit: int | None = None


def limit_of(fault: Fault, table: pd.DataFrame) -> int | None:
    """Days after the onset from which on the best test that knows a fault's date and shape is CERTAIN of it."""
    for end in fault.looks:
        series = fault.series(sampled(table.iloc[:end]))
        if series.day.size < LEAST_DAYS:
            continue
        beside = series.beside[:, 0] if series.beside.size else np.ones(series.day.size)
        shape = fault.shape(series.day - START_MS / DAY_MS, beside)
        known = replace(series, beside=np.column_stack([series.beside, shape]))
        value, errors = errors_of(known)
        columns = np.column_stack([shape, np.ones(series.day.size), series.beside])
        white, goal = (whitened(one, series.day, errors) for one in (columns, value))
        inverse = np.linalg.pinv(white.T @ white)
        found = inverse @ (white.T @ goal)
        if found[0] >= CERTAIN * float(np.sqrt(inverse[0, 0])):
            return end - fault.onset
    return None


def met(fault: Fault, sampling: Sampling, seed: int) -> Met:
    """One house with a fault, looked at until it is told."""
    rng = np.random.default_rng(seed)
    truth = fault.truth(drawn(rng))
    table = days_frame(record(truth, sampling, max(fault.looks) + 1, rng))
    found = None
    for end in fault.looks:
        found = JUDGES[fault.part](SITE, table.iloc[:end])
        if found.state in TOLD:
            since = found.since_ms
            off = None if since is None else (since - START_MS) / DAY_MS - fault.onset
            return Met(end - fault.onset, False, off, limit_of(fault, table))
    return Met(None, found is not None and found.state is PartState.UNKNOWN, None, limit_of(fault, table))


def predicted(sampling: Sampling, seed: int) -> bool | None:
    """Whether the day on which a wearing pump is not enough lay within the 80 % range told after 240 days.

    It wears at a changing pace, see `wearing`. None where it is not told yet, or where the pit of that house needs more
    than the half that counts as worn out.
    """
    rng = np.random.default_rng(seed)
    worn = wearing(drawn(rng), float(rng.uniform(0.01, 0.025)), 240, rng)
    table = days_frame(record_in(worn.water, worn.truth, sampling, rng))
    flow = flow_and_line(SITE, table)[0]
    if flow.predicted_ms is None or need_share(table, flow_series(sampled(table))[0]) > LEAST_NEED:
        return None
    true_ms = START_MS + worn.meets(LEAST_NEED) * DAY_MS
    low, _, high = (np.inf if at_ms is None else at_ms for at_ms in flow.predicted_ms)
    return bool(low <= true_ms <= high)


def gained(sampling: Sampling, seed: int) -> tuple[float, Range | None]:
    """The true gain of a worn pump that is cleaned on day 240, and the range told four weeks later."""
    rng = np.random.default_rng(seed)
    a_day = float(rng.uniform(0.01, 0.025)) / 30.4
    truth = replace(drawn(rng), flow=lambda day: np.where(day < 240.0, 1.0 - a_day * day, 1.0))
    table = days_frame(record(truth, sampling, 270, rng))
    at_ms = START_MS + 240 * DAY_MS
    told = helped(SITE, WorkDone("w", "larkspur", at_ms, WorkKind.CLEANED, "", "owner", at_ms), 0, table, (), ())
    return 1.0 / (1.0 - a_day * 239.5) - 1.0, told


def false_tellings(sampling: Sampling, seed: int, looks: Iterable[int] = range(30, 366, 15)) -> dict[HousePart, str]:
    """Parts of one healthy house that were told of within a year, and what of."""
    rng = np.random.default_rng(seed)
    table = days_frame(record(drawn(rng), sampling, 365, rng))
    told: dict[HousePart, str] = {}
    for end in looks:
        for part, judge in JUDGES.items():
            if part not in told:
                found = judge(SITE, table.iloc[:end])
                if found.state in TOLD:
                    told[part] = f"day {end}: {found.says}"
    return told


def row(fault: Fault, sampling: Sampling, houses: int, seed: int) -> str:
    """A row of the table: how many houses told of it, how soon, and how well it was dated."""
    every = [met(fault, sampling, seed + number) for number in range(houses)]
    delays = [one.delay for one in every if one.delay is not None]
    offs = [abs(one.date_off) for one in every if one.date_off is not None]
    middle = f"{np.median(delays):.0f} d" if delays else "-"
    soon = sum(delay <= fault.aim_days for delay in delays)
    dated = f"{sum(off <= 5.0 for off in offs)} of {len(offs)}" if offs else "-"
    unknown = sum(one.unknown for one in every)
    return (
        f"| {fault.name} | {sampling.value} | {len(delays)} of {houses} | {middle} | {soon} in {fault.aim_days} d"
        f" | {_limit(every, fault)} | {dated} | {unknown} |"
    )


def _limit(every: Sequence[Met], fault: Fault) -> str:
    limits = [one.limit for one in every if one.limit is not None]
    soon = sum(limit <= fault.aim_days for limit in limits)
    return f"{np.median(limits):.0f} d, {soon} in {fault.aim_days} d" if limits else "-"


def ranges_row(sampling: Sampling, houses: int, seed: int) -> str:
    """A row of the table of ranges: predicted days and gains that lay within the 80 % range told of them."""
    days = [held for n in range(houses) if (held := predicted(sampling, seed + n)) is not None]
    gains = [gained(sampling, seed + n) for n in range(houses)]
    within = [told[0] <= true <= told[2] for true, told in gains if told is not None]
    return f"| {sampling.value} | {sum(days)} of {len(days)} | {sum(within)} of {len(within)} |"


def false_row(sampling: Sampling, houses: int, seed: int) -> str:
    """A row of the table of healthy years: parts told of, and what was said of the first of each."""
    every = [false_tellings(sampling, seed + number) for number in range(houses)]
    counts = {part: sum(part in one for one in every) for part in JUDGES}
    said = [f"{part.value}: {one[part]}" for one in every for part in one]
    return f"| {sampling.value} | {' | '.join(f'{n} of {houses}' for n in counts.values())} | {'; '.join(said)} |"


def main() -> None:
    """Print both tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--houses", type=int, default=12)
    parser.add_argument("--seed", type=int, default=1000)
    parser.add_argument("--sampling", default="", help="only those whose name holds this")
    parser.add_argument("--fault", default="", help="only those whose name holds this; none: healthy years alone;"
                        " ranges: predicted days and gains alone")  # fmt: skip
    asked = parser.parse_args()
    for sampling in [one for one in Sampling if asked.sampling in one.value]:
        for fault in [one for one in FAULTS if asked.fault in one.name]:
            sys.stdout.write(row(fault, sampling, asked.houses, asked.seed) + "\n")
            sys.stdout.flush()
        if asked.fault in {"", "ranges"} and sampling.every_s != 30.0 and sampling is not Sampling.COUNTER:
            sys.stdout.write(ranges_row(sampling, asked.houses, asked.seed + 900) + "\n")
            sys.stdout.flush()
        if asked.fault in {"", "none"}:
            sys.stdout.write(false_row(sampling, asked.houses, asked.seed + 500) + "\n")
            sys.stdout.flush()


if __name__ == "__main__":
    main()
