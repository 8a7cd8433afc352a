"""Did work help? The level before it against the level after, with the range of both."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import pandas as pd

from forecaster.domain.discharge import DischargeTest
from forecaster.domain.longrecord import HousePart, WorkDone
from forecaster.domain.runs import Outage
from forecaster.domain.site import Site
from forecaster.domain.times import DAY_MS
from forecaster.health.backflow import changed_at
from forecaster.health.changes import DailySeries, errors_of
from forecaster.health.judged import Range, around
from forecaster.health.measures import (
    at_once_series,
    blind_to_runs,
    day_numbers,
    flow_series,
    late_levels,
    power_series,
    sampled,
)
from forecaster.health.packs import capacity_points, loss_points
from forecaster.health.trends import Course, course_of
from forecaster.pack.fading import PackPoints

AFTER_DAYS = 28.0
"""Days after the work over which the new level is taken."""

LEAST_DAYS = 4
"""Days after the work from which it can be told whether it helped."""


def helped(
    site: Site,
    work: WorkDone,
    before_ms: int,
    table: pd.DataFrame,
    tests: Sequence[DischargeTest],
    outages: Sequence[Outage],
) -> Range | None:
    """How much the first part that the work concerns changed with it: 10, 50 and 90 % points; None: not told.

    before_ms : int — when such work was done before: the old level is taken from there on [UTC ms]
    table : daily table, columns `frames.DAYS`
    The change is a share of the old level. Float and valve are shares already: theirs is the difference. The
    float's is that of the starts that come late by more than half the usual wait.
    """
    part = work.concerns[0] if work.concerns else None
    if part in (HousePart.PACK_CAPACITY, HousePart.PACK_LOSSES):
        points = (
            capacity_points(site, tests, outages, 0, work.at_ms)
            if part is HousePart.PACK_CAPACITY
            else loss_points(tests, 0)
        )
        return _by_points(points, work.at_ms / DAY_MS, before_ms / DAY_MS)
    kept = sampled(table)
    measure = _MEASURES.get(part) if part is not None else None
    if measure is None or not len(kept) or (part is not HousePart.PUMP_POWER and blind_to_runs(kept) is not None):
        return None
    if part is HousePart.CHECK_VALVE:
        return _by_water_back(kept, work.at_ms / DAY_MS, before_ms / DAY_MS)
    series, at_day = measure(kept).since(before_ms / DAY_MS), work.at_ms / DAY_MS
    if part in (HousePart.PUMP_FLOW, HousePart.DISCHARGE_LINE):
        return _by_days(series, at_day, relative=True, missed=_missed(kept, at_day))
    return _by_days(series, at_day, relative=part is HousePart.PUMP_POWER)


_MEASURES: dict[HousePart, Callable[[pd.DataFrame], DailySeries]] = {
    HousePart.PUMP_FLOW: lambda table: flow_series(table)[0],
    HousePart.DISCHARGE_LINE: lambda table: flow_series(table)[0],
    HousePart.PUMP_POWER: lambda table: power_series(table)[0],
    HousePart.FLOAT: late_levels,
    HousePart.CHECK_VALVE: at_once_series,
}


def _by_water_back(table: pd.DataFrame, at_day: float, from_day: float) -> Range | None:
    """The change in the share of a run's water that comes back, in the weeks before and after.

    In a pit so dry that this cannot be told, that in the restarts at once, which a valve far gone causes alone, where
    there is one.
    """
    day = day_numbers(table)
    near = table[(day >= max(from_day, at_day - AFTER_DAYS)) & (day < at_day + AFTER_DAYS)]
    back = changed_at(near, at_day)
    if back is not None:
        return around(back.share, back.error)
    often = _by_days(at_once_series(table).since(from_day), at_day, relative=False)
    return often if often is not None and (often[0] > 0.0 or often[2] < 0.0) else None


def _missed(table: pd.DataFrame, at_day: float) -> float:
    """Share of the runs in the weeks before and after that no sample may have caught: the most that it can be.

    A start after such a run looks late. The shortest runs are missed, so those that are caught tell too little flow, by
    about that share. Where each run has more than one sample, none is missed.
    """
    day = day_numbers(table)
    shares = []
    for begin in (at_day - AFTER_DAYS, at_day):
        near = table[(day >= begin) & (day < begin + AFTER_DAYS)]
        late, paired = float(near["late"].sum()), float(near["paired"].sum())
        shares.append(late / (late + paired) if float(near["single"].sum()) > 0.0 else 0.0)
    return float(np.linalg.norm(shares))


def _by_days(series: DailySeries, at_day: float, *, relative: bool, missed: float = 0.0) -> Range | None:
    """The level after a day less that before; missed : share of the level by which it may be told too low besides."""
    before = series.until(np.floor(at_day))
    after = series.since(at_day).until(at_day + AFTER_DAYS)
    course = course_of(before)
    if course is None or after.day.size < LEAST_DAYS:
        return None
    value, errors = errors_of(after)
    alike = (1.0 + errors.rho) / (1.0 - errors.rho)
    level, error = float(value.mean()), float(np.sqrt((errors.deviation**2).mean() * alike / after.day.size))
    scale = 1.0 / max(course.now, 1e-9) if relative else 1.0
    before_error = course.now_error if relative else max(course.now_error, _scatter(before, course))
    return around(level - course.now, float(np.hypot(np.hypot(error, before_error), missed * level)), scale)


def _scatter(before: DailySeries, course: Course) -> float:
    """Standard error of a share's newest level by how its days differ: they do so the more the further it is from 0,
    which is where most days of a series lie that has changed."""
    first = max(before.day[-1] - AFTER_DAYS, course.since_day or 0.0)
    newest = before.since(first).value
    return float(newest.std(ddof=1) / np.sqrt(newest.size)) if newest.size > 1 else 0.0


def _by_points(points: PackPoints, at_day: float, from_day: float) -> Range | None:
    """The first measurement after against the last before it, of the same kind where there is one."""
    before = (points.day < at_day) & (points.day >= from_day)
    after = points.day >= at_day
    if not before.any() or not after.any():
        return None
    first, last = int(np.flatnonzero(after)[0]), int(np.flatnonzero(before)[-1])
    alike = np.flatnonzero(before & (points.tested == points.tested[first]))
    last = int(alike[-1]) if alike.size else last
    error = float(np.sqrt(points.covariance[first, first] + points.covariance[last, last]))
    return around(float(points.value[first] - points.value[last]), error, 1.0 / float(points.value[last]))
