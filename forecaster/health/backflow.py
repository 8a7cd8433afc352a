"""Water that comes back through the check valve from a date on, told by run lengths against waits.

A pump of rate Qp lifts the drawdown V against an inflow Qi in t = V / (Qp - Qi) (MIL-HDBK-1005/9A 2.5.3.6, Eq. 1-2).
Where a share f of it runs back, the pit fills again after w = V (1 - f) / Qi. The dry run that is told from both,
T = t / (1 + t / w), then obeys 1 / T = Qp / V + f / w: more water leaves it as it is, water that comes back makes it
shorter. So the starts come more often in a wet month and behind a leaking valve alike, but only the valve shortens the
dry run from the same day on.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from forecaster.health.changes import SELDOM_MISSED, DailySeries, errors_of, whitened
from forecaster.health.measures import LEAST_CYCLES, column, day_numbers
from forecaster.maths.arrays import Array

RECORD_DAYS, LEAST_BEFORE, LEAST_AFTER = 400, 40, 3
"""Newest days that are looked at; days of record that must lie before the date, and after it."""

CERTAIN = 3.7
"""Standard errors from which on water comes back: one look in ten thousand errs. In simulated healthy years none of
many dates and looks passed 3.2."""

VAGUE = 0.2
"""Standard error of the share beyond which nothing is told of it."""

FRESH_DAYS, OF_THE_DAYS = 14.0, 0.9
"""A leak that is so old should be told, on whichever of this share of the days before it began."""

BEYOND_CHANCE = 0.6
"""By so many standard errors a pump that lifts more must explain the days better for it not to be a leak. In 40
simulated houses (seeds 0 to 39, on change and at 10 s) no leak was lost for it, and no pump that was cleaned was told
of."""

LEAST_SHARE, GREATEST_SHARE = 0.1, 0.9

LEAST_RISE, OF_THE_RISE = 0.1, 0.5
"""How much oftener the starts must come on the driest days, in logarithms: the least, and the part of what the share
alone would bring (the rest is left to a drier month)."""

DRY_DAYS = 14.0, 45.0
"""Least and most days on either side of the date among which the driest is looked for: over longer the season tells."""


@dataclass(frozen=True, slots=True)
class Back:
    """A share of the water that comes back.

    share, error : float — 0..1, and its standard error; since_day : float | None — from when on (days since 1970)
    """

    share: float
    error: float
    since_day: float | None


@dataclass(frozen=True, slots=True)
class DryRuns:
    """The dry run of each day with many cycles, oldest first, (N,) each.

    day : days since 1970; haste : the median dry run over the day's mean; deviation : of the mean, as a share
    fills : the median dry run over the usual wait
    """

    day: Array
    haste: Array
    deviation: Array
    fills: Array

    @classmethod
    def of(cls, table: pd.DataFrame) -> DryRuns:
        """The newest RECORD_DAYS of a daily table, columns `frames.DAYS`."""
        kept = table[table["paired"] >= 2 * LEAST_CYCLES].iloc[-RECORD_DAYS:]
        count = column(kept, "paired")
        mean = column(kept, "dry_s") / count
        usual = float(np.median(mean)) if mean.size else 1.0
        spread = np.sqrt(np.maximum(column(kept, "dry_s2") / count - mean**2, 0.0)) / mean
        deviation = (float(np.median(spread)) if mean.size else 0.0) / np.sqrt(count)
        return cls(day_numbers(kept), usual / mean, deviation, usual * column(kept, "pace_per_s") / count)


@dataclass(frozen=True, slots=True)
class Backflow:
    """What a daily table tells of water that comes back.

    found : Back | None — since when more comes back than before
    least_share : float — the least that would be told, had it begun on almost any day up to FRESH_DAYS ago; infinite
    where no day could be told of, and where more than chance comes back without the starts coming oftener, or as it
    would not where the pump lifts more
    always : what comes back in the mean of all days, by how the dry run goes with the fill: of a leak that was there
    from the start nothing else tells; a pump that is switched off late by a fixed time looks the same
    """

    found: Back | None
    least_share: float
    always: Back


def backflow(table: pd.DataFrame) -> Backflow:
    """Whether more of each run's water comes back since one of the days on record.

    table : daily table since the newest work on the part. Each day is tried as the date; the pump's own slow course,
    and how its dry run has always gone with the water, are allowed for.
    """
    runs = DryRuns.of(table)
    if runs.day.size < LEAST_BEFORE + LEAST_AFTER:
        return Backflow(None, float("inf"), Back(0.0, float("inf"), None))
    tried = _at_each_date(runs)
    old = tried.error[tried.day <= runs.day[-1] - FRESH_DAYS]
    least = (CERTAIN + SELDOM_MISSED) * float(np.quantile(old, OF_THE_DAYS)) if old.size else float("inf")
    best = int(np.argmax(tried.share / tried.error))
    share, error, since_day = float(tried.share[best]), float(tried.error[best]), float(tried.day[best])
    if share < CERTAIN * error or error > VAGUE or not LEAST_SHARE <= share <= GREATEST_SHARE:
        return Backflow(None, least, tried.always)
    rise = max(LEAST_RISE, -OF_THE_RISE * float(np.log1p(-share)))
    if share / error < tried.stronger - BEYOND_CHANCE or _oftener_on_dry_days(runs, since_day) < rise:
        return Backflow(None, float("inf"), tried.always)
    return Backflow(Back(share, error, since_day), least, tried.always)


@dataclass(frozen=True, slots=True)
class _Tried:
    """The days on record, each taken for the date.

    day : (D,) — days since 1970; share, error : (D,) — what comes back from then on, and its standard error
    stronger : standard errors of a pump that lifts more from the best such day on, whatever flows in
    always : the share with no date
    """

    day: Array
    share: Array
    error: Array
    stronger: float
    always: Back


def _at_each_date(runs: DryRuns) -> _Tried:
    """Try each day as the date, by least squares with correlated days."""
    _, errors = errors_of(DailySeries(runs.day, runs.haste, runs.deviation**2, runs.fills[:, None]))
    hundreds = (runs.day - runs.day.mean()) / 100.0
    columns = np.column_stack([np.ones(runs.day.size), hundreds, hundreds**2, runs.fills])
    basis, upper = np.linalg.qr(whitened(columns, runs.day, errors))
    goal = whitened(runs.haste, runs.day, errors)
    along = basis.T @ goal
    goal = goal - basis @ along
    unexplained = max(1.0, float(goal @ goal) / (runs.day.size - columns.shape[1]))

    def fitted(after: Array) -> tuple[Array, Array]:
        tried = whitened(after, runs.day, errors)
        tried = tried - basis @ (basis.T @ tried)
        weight = np.maximum((tried**2).sum(axis=0), 1e-12)
        return tried.T @ goal / weight, np.sqrt(unexplained / weight)

    dates = runs.day[LEAST_BEFORE : runs.day.size - LEAST_AFTER + 1]
    later = (runs.day[:, None] >= dates).astype(np.float64)
    share, error = fitted(later * runs.fills[:, None])
    step, step_error = fitted(later)
    by_fill = float(upper[-1, -1]) or 1e-9
    always = Back(float(along[-1]) / by_fill, float(np.sqrt(unexplained)) / abs(by_fill), None)
    return _Tried(dates, share, error, float(np.max(step / step_error)), always)


def changed_at(table: pd.DataFrame, day: float) -> Back | None:
    """By how much the share that comes back changed on a day (days since 1970); None where it cannot be told.

    table : the days around it, columns `frames.DAYS`. The pump itself counts as the same before and after.
    """
    runs = DryRuns.of(table)
    after = runs.day >= day
    if min(after.sum(), (~after).sum()) < LEAST_AFTER:
        return None
    columns = np.column_stack([np.where(after, runs.fills, 0.0), runs.fills])
    _, errors = errors_of(DailySeries(runs.day, runs.haste, runs.deviation**2, columns))
    known = whitened(np.column_stack([columns, np.ones(runs.day.size)]), runs.day, errors)
    goal = whitened(runs.haste, runs.day, errors)
    inverse = np.linalg.pinv(known.T @ known)
    found = inverse @ (known.T @ goal)
    unexplained = max(1.0, float(np.sum((goal - known @ found) ** 2)) / max(runs.day.size - known.shape[1], 1))
    error = float(np.sqrt(unexplained * inverse[0, 0]))
    return Back(float(found[0]), error, day) if error <= VAGUE else None


def _oftener_on_dry_days(runs: DryRuns, since_day: float) -> float:
    """Logarithm of how much oftener the starts come on the driest day soon after a date than on the driest before."""
    span = float(np.clip(runs.day[-1] - since_day, *DRY_DAYS))
    after = (runs.day >= since_day) & (runs.day <= since_day + span)
    before = (runs.day < since_day) & (runs.day >= since_day - span)
    if not before.any():
        return 0.0
    return float(np.log(runs.fills[after].min()) - np.log(runs.fills[before].min()))
