"""What the daily table tells of a part, as series: means and counts that coarse sampling leaves unbiased.

A `table` is the daily table as a data frame, columns `forecaster.record.frames.DAYS`, oldest day first.
"""

from __future__ import annotations

import math
from enum import StrEnum

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from forecaster.domain.quantities import Quantity
from forecaster.health.changes import DailySeries
from forecaster.maths.arrays import Array

LEAST_CYCLES = 3
"""Cycles that a day needs to count."""

LEAST_TWICE = 0.06
"""Least share of the runs that more than one sample caught: with fewer, a run looks as long as the sampling interval
whatever its length, and shorter ones are missed."""

AROUND_DAYS = 14.0
"""Days on either side over which the share of a day is taken, see `late_levels`."""

NEWEST_DAYS = 28
"""Newest days by which it is judged what the sampling can tell."""

FINE_SAMPLES = 5.0
"""Samples a run that it takes for the spread of the lengths to be the pump's and not the sampling's."""


class Blind(StrEnum):
    """Why a part cannot be told of; keys of the catalogue under `health.blind`."""

    YOUNG = "young"
    COUNTER = "counter"
    COARSE = "coarse"
    UNMEASURED = "unmeasured"
    QUIET = "quiet"
    SPARSE = "sparse"
    FROM_THE_START = "from-the-start"


def day_numbers(table: pd.DataFrame) -> Array:
    """The middle of each day in days since 1970, (N,)."""
    index = pd.DatetimeIndex(table.index).as_unit("ms")
    return np.asarray(index.asi8, dtype=np.float64) / 86_400_000.0


def column(table: pd.DataFrame, name: str) -> Array:
    """A column as floats, (N,), NaN where not known."""
    return np.asarray(table[name].to_numpy(dtype="float64", na_value=np.nan), dtype=np.float64)


def sampled(table: pd.DataFrame) -> pd.DataFrame:
    """The days whose runs were found in the same quantity as those of the newest day that has one."""
    known = table["source"].dropna()
    return table[table["source"] == known.iloc[-1]] if len(known) else table.iloc[:0]


def blind_to_runs(table: pd.DataFrame) -> Blind | None:
    """Why lengths and counts of runs cannot be told from the newest days of one source; None: they can."""
    newest = table.iloc[-NEWEST_DAYS:]
    if not len(newest) or newest["source"].iloc[-1] is pd.NA:
        return Blind.YOUNG
    if newest["source"].iloc[-1] == Quantity.PUMP_ENERGY.value:
        return Blind.COUNTER
    told, single = float(newest["told"].sum()), float(newest["single"].sum())
    if told == 0.0:
        return Blind.COARSE if float(newest["runs"].sum()) > 0.0 else Blind.QUIET
    return Blind.COARSE if 1.0 - single / told < LEAST_TWICE else None


def flow_series(table: pd.DataFrame) -> tuple[DailySeries, float]:
    """The pump's rate on each day, in drawdowns a second, as a share of its median; and that median [1/s].

    The day's water, by its waits, goes into `beside`, so that its effect is not taken for a change of the pump. The
    duty would not do: a clog raises it, and it then explains the clog.
    """
    kept = table[table["paired"] >= LEAST_CYCLES]
    count = column(kept, "paired")
    mean = column(kept, "dry_s") / count
    spread = np.maximum(column(kept, "dry_s2") / count - mean**2, 0.0)
    pooled = float(np.median(spread / mean**2)) if mean.size else 0.0
    variance = np.maximum(spread / mean**2, 0.25 * pooled) / np.maximum(count - 1.0, 1.0)
    usual = float(np.median(1.0 / mean)) if mean.size else 1.0
    water = column(kept, "pace_per_s") / count
    return DailySeries(day_numbers(kept), 1.0 / mean / usual, variance, _beside(water)), usual


def power_series(table: pd.DataFrame) -> tuple[DailySeries, float]:
    """Mean running power on each day as a share of its median, and that median [W]."""
    watts = column(table, "power_w")
    known = np.isfinite(watts) & (watts > 0.0) & (column(table, "runs") >= LEAST_CYCLES)
    usual = float(np.median(watts[known])) if known.any() else 1.0
    none = np.zeros((int(known.sum()), 0))
    return DailySeries(day_numbers(table)[known], watts[known] / usual, np.full(none.shape[0], 1e-6), none), usual


def late_series(table: pd.DataFrame) -> DailySeries:
    """Starts that come late by more than half the usual wait, as a share of all whose wait is known, 0..1, a day."""
    return _late_shares(table, math.inf)


def late_levels(table: pd.DataFrame) -> DailySeries:
    """The same where its level is known to change: the variance of each day is that of the share in the weeks around
    it. That of the whole record is too small once many come late, and finds changes in what is chance."""
    return _late_shares(table, AROUND_DAYS)


def _late_shares(table: pd.DataFrame, around_days: float) -> DailySeries:
    late = column(table, "late")
    return _share_series(table, late, late + column(table, "paired"), around_days)


def at_once_series(table: pd.DataFrame) -> DailySeries:
    """Restarts at once on each day as a share of all, 0..1."""
    return _share_series(table, column(table, "at_once"), column(table, "cycles"))


def _share_series(table: pd.DataFrame, part: Array, of: Array, around_days: float = math.inf) -> DailySeries:
    """One count as a share of another on each day, with the binomial variance of the share in the days around, kept off
    zero. around_days : float — how many on either side"""
    kept = of >= LEAST_CYCLES
    day, some, every = day_numbers(table)[kept], part[kept], of[kept]
    first, last = np.searchsorted(day, day - around_days), np.searchsorted(day, day + around_days + 1.0)
    some_around, every_around = (_sums(counts, first, last) for counts in (some, every))
    usual = (some_around + 0.5) / (every_around + 1.0)
    variance = usual * (1.0 - usual) / np.maximum(every, 1.0)
    return DailySeries(day, some / every, variance, np.zeros((every.size, 0)))


def _sums(counts: Array, first: NDArray[np.intp], last: NDArray[np.intp]) -> Array:
    """Sums of the counts from each first place up to each last one."""
    total = np.concatenate([[0.0], np.cumsum(counts)])
    return np.asarray(total[last] - total[first], dtype=np.float64)


def spread_series(table: pd.DataFrame) -> DailySeries | None:
    """Deviation of the dry run on each day as a share of its mean; None where the sampling itself spreads it."""
    newest = table.iloc[-NEWEST_DAYS:]
    told, samples = float(newest["told"].sum()), float(newest["samples"].sum())
    if told == 0.0 or float(newest["single"].sum()) > 0.0:
        return None
    polled = abs(samples * float(newest["sampled_s"].median()) / float(newest["told_s"].sum()) - 1.0) < 0.2
    if polled and samples / told < FINE_SAMPLES:
        return None
    kept = table[table["paired"] >= 2 * LEAST_CYCLES]
    count = column(kept, "paired")
    mean = column(kept, "dry_s") / count
    spread = np.sqrt(np.maximum(column(kept, "dry_s2") / count - mean**2, 0.0)) / mean
    usual = float(np.median(spread)) if spread.size else 0.0
    return DailySeries(day_numbers(kept), spread, usual**2 / (2.0 * count), np.zeros((count.size, 0)))


def back_shares(table: pd.DataFrame) -> tuple[Array, Array, Array, Array]:
    """Days since 1970, two sums a day whose ratio is the share of a run's water that comes back, and a run's spread.

    (N,) each; the spread is the dry run's deviation over its mean. A wait in which a share f comes back is
    w = V (1 - f) / Qi. The dry run T told from it, t / (1 + t / w), then falls by f T² for each unit of 1 / w. That is
    read within a single day, so that the pump's rate of that day does not matter.
    """
    kept = table[table["paired"] >= 2 * LEAST_CYCLES]
    count = column(kept, "paired")
    mean_dry, mean_pace = column(kept, "dry_s") / count, column(kept, "pace_per_s") / count
    together = column(kept, "dry_pace") - count * mean_dry * mean_pace
    apart = np.maximum(column(kept, "pace2_per_s2") - count * mean_pace**2, 0.0)
    spread = np.sqrt(np.maximum(column(kept, "dry_s2") / count - mean_dry**2, 0.0)) / mean_dry
    return day_numbers(kept), -together, apart * mean_dry**2, spread


def need_share(table: pd.DataFrame, series: DailySeries) -> float:
    """Inflow of the worst hour on record, as a share of the pump's median rate; series : from `flow_series`.

    In an hour of which the pump ran a share d, the inflow was d times the pump's rate of that day.
    """
    busy = np.clip(column(table, "peak_hour_s") / 3600.0, 0.0, 1.0)
    rate = np.interp(day_numbers(table), series.day, series.value)
    return float(np.nanmax(busy * rate)) if busy.size else 0.0


def _beside(values: Array) -> Array:
    if values.size < 20 or float(np.std(values)) < 1e-4:
        return np.zeros((values.size, 0))
    return np.asarray(((values - values.mean()) / values.std())[:, None], dtype=np.float64)
