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
from forecaster.health.judged import TENTH
from forecaster.health.measures import LEAST_CYCLES, column, day_numbers
from forecaster.health.wandering import WANDERS, Whitened
from forecaster.maths.arrays import Array

RECORD_DAYS, LEAST_BEFORE, LEAST_AFTER = 400, 40, 3
"""Newest days that are looked at; days of record that must lie before the date, and after it."""

CERTAIN = 3.7
"""Standard errors from which on water comes back: one look in ten thousand errs."""

VAGUE = 0.2
"""Standard error of the share beyond which nothing is told of it."""

FRESH_DAYS, OF_THE_DAYS = 14.0, 0.9
"""A leak that is so old should be told, on whichever of this share of the days before it began."""

BEYOND_CHANCE = 0.2
"""By so many standard errors a pump that lifts more must explain the days better for it not to be a leak: where samples
are coarse the two differ by hardly more. By simulation, see the handbook."""

AS_LIKELY = 3.84
"""Dates whose chi-square is less than the best one's by no more than this may as well be the true one: the 95 % point
of a likelihood ratio with one degree of freedom."""

LEAST_SHARE, GREATEST_SHARE = 0.1, 0.9

LEAST_RISE, OF_THE_RISE = 0.1, 0.5
"""How much oftener the starts must come on the driest days, in logarithms: the least, and the part of what the low end
of the share alone would bring (the rest is left to a drier month)."""

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
    would not where the pump lifts more, or came back for a while
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
    sure = tried.share / tried.error
    best = int(np.argmax(sure))
    share, error, since_day = float(tried.share[best]), float(tried.error[best]), float(tried.day[best])
    if share < CERTAIN * error or error > VAGUE or not LEAST_SHARE <= share <= GREATEST_SHARE:
        return Backflow(None, least, tried.always)
    rise = max(LEAST_RISE, -OF_THE_RISE * float(np.log1p(TENTH * error - share)))
    near = tried.day[sure >= float(np.sqrt(sure[best] ** 2 - AS_LIKELY))]
    oftener = max(_oftener_on_dry_days(runs, float(day)) for day in near)
    ended = tried.ended < -CERTAIN
    if ended or sure[best] < tried.stronger - BEYOND_CHANCE or oftener < rise:
        return Backflow(None, float("inf"), tried.always)
    return Backflow(Back(share, error, since_day), least, tried.always)


@dataclass(frozen=True, slots=True)
class _Tried:
    """The days on record, each taken for the date.

    day : (D,) — days since 1970; share, error : (D,) — what comes back from then on, and its standard error
    stronger : standard errors of a pump that lifts more from the best such day on, whatever flows in
    ended : standard errors of an end of it on the best day after the likeliest date; below 0, less comes back since
    always : the share with no date
    likelihood : float — logarithm of that of the days, with the best date
    """

    day: Array
    share: Array
    error: Array
    stronger: float
    ended: float
    always: Back
    likelihood: float


def _at_each_date(runs: DryRuns) -> _Tried:
    """Try each day as the date, by the likeliest of some slow courses of the pump itself."""
    _, errors = errors_of(DailySeries(runs.day, runs.haste, runs.deviation**2, runs.fills[:, None]))
    day = runs.day[LEAST_BEFORE : runs.day.size - LEAST_AFTER + 1]
    later = (runs.day[:, None] >= day).astype(np.float64)
    hundreds = (runs.day - runs.day.mean()) / 100.0
    columns = np.column_stack([
        runs.haste, hundreds, np.ones(runs.day.size), runs.fills, later * runs.fills[:, None], later
    ])  # fmt: skip
    courses = [Whitened.by(columns, runs.day, errors, a_day) for a_day in WANDERS]
    tried = [_by_course(day, course, drifts=drifts) for course in courses for drifts in (False, True)]
    return max(tried, key=lambda one: one.likelihood)


def _by_course(day: Array, course: Whitened, *, drifts: bool) -> _Tried:
    """Try each day by one slow course; drifts : whether the pump also becomes steadily faster or slower, which has to
    earn the number that it costs (Akaike 1974)."""
    goal, known, tried = np.split(course.columns, [1, 4], axis=1)
    basis, upper = np.linalg.qr(known if drifts else known[:, 1:])
    along = basis.T @ goal[:, 0]
    left = goal[:, 0] - basis @ along
    tried = tried - basis @ (basis.T @ tried)
    (share, step), (by_share, by_step) = (np.split(one, 2) for one in _one_by_one(tried, left))
    best = int(np.argmax(share * np.sqrt(by_share)))
    missed = float(left @ left) - max(float(share[best] * np.sqrt(by_share[best])), 0.0) ** 2
    spread = float(np.sqrt(max(1.0, missed / (left.size - basis.shape[1] - 1))))
    begun = tried[:, best] / np.sqrt(by_share[best])
    since = tried[:, best + 1 : day.size]
    less, by_less = _one_by_one(since - np.outer(begun, begun @ since), left - begun * (begun @ left))
    ended = float(np.min(less * np.sqrt(by_less), initial=0.0)) / spread
    by_fill = float(upper[-1, -1]) or 1e-9
    return _Tried(
        day, share, spread / np.sqrt(by_share), float(np.max(step * np.sqrt(by_step))) / spread, ended,
        Back(float(along[-1]) / by_fill, spread / abs(by_fill), None), course.log_scale - 0.5 * missed - drifts,
    )  # fmt: skip


def _one_by_one(tried: Array, goal: Array) -> tuple[Array, Array]:
    """Coefficient of each whitened column by itself, and the weight that it rests on, (K,) each."""
    weight = np.maximum((tried**2).sum(axis=0), 1e-12)
    return tried.T @ goal / weight, weight


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
