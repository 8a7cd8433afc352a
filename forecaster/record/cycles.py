"""Sums over the cycles of a day that are unbiased even where the runs were sampled coarsely.

A pump of rate Qp that lifts the drawdown V against an inflow Qi runs t = V / (Qp - Qi) after a wait w = V / Qi
(MIL-HDBK-1005/9A 2.5.3.6, Eq. 1-2). So t / (1 + t / w) = V / Qp whatever the inflow: the dry run, which is how long
the pump would take with nothing flowing in. Means of sampled lengths are unbiased as long as a sample catches every
run; medians are not: a run of 12 s that is sampled every 10 s counts as 10 s or 20 s.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from forecaster.maths.arrays import Array

NEAR = 4
"""Waits on either side that make up a wait's neighbourhood."""

LATE = 1.5
"""A start is late after this many times the usual wait nearby: the run then lifts more than the drawdown."""

LEAST_LEFT = 0.1
"""Least share of the pump's rate that is taken to be left for the drawdown during a run."""

Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class CycleFacts:
    """Sums over the cycles of a day; see `forecaster.domain.longrecord.Day`."""

    told: int
    told_s: float
    told_s2: float
    single: int
    paired: int
    dry_s: float
    dry_s2: float
    pace_per_s: float
    pace2_per_s2: float
    dry_pace: float
    late: int


def cycle_facts(start_s: Array, stop_s: Array, samples: Array, told: Flags, whole: Flags, today: Flags) -> CycleFacts:
    """Facts of the runs marked as today's; the runs before them give the waits.

    start_s, stop_s, samples : (R,) — edges [s], oldest run first, and the number of readings that caught each run
    told : (R,) — whether a length is a measurement, if only by one sample
    whole : (R,) — whether the wait before a run was heard throughout; today : (R,) — whether a run is the day's
    """
    length = stop_s - start_s
    kept = told & today
    wait = np.full(length.size, np.nan)
    wait[1:] = start_s[1:] - stop_s[:-1]
    wait[~(whole & (wait > 0.0))] = np.nan
    usual = usual_waits(wait)
    timed = kept & np.isfinite(wait)
    late = timed & (np.nan_to_num(wait) > LATE * np.nan_to_num(usual, nan=np.inf))
    paired = timed & ~late & np.isfinite(usual)
    dry = still_lengths(length[paired], _meanwhile(wait)[paired])
    pace = 1.0 / usual[paired]
    return CycleFacts(
        told=int(kept.sum()), told_s=float(length[kept].sum()), told_s2=float((length[kept] ** 2).sum()),
        single=int((kept & (samples <= 1)).sum()), paired=int(paired.sum()),
        dry_s=float(dry.sum()), dry_s2=float((dry**2).sum()),
        pace_per_s=float(pace.sum()), pace2_per_s2=float((pace**2).sum()), dry_pace=float((dry * pace).sum()),
        late=int(late.sum()),
    )  # fmt: skip


def still_lengths(length: Array, inflow: Array) -> Array:
    """How long each run would have lasted with nothing flowing in, (R,) [s].

    length : (R,) — as measured [s]; inflow : (R,) — during each, in drawdowns a second [1/s]
    A run of T in still water lasts T / (1 - T q). Turned round run by run, coarse sampling would tell too short ones,
    the more so the more flows in; so it is turned round about their mean, linear in each length.
    """
    still = length / (1.0 + length * inflow)
    for _ in range(2 if length.size else 0):
        usual = float(still.mean())
        share = np.maximum(1.0 - usual * inflow, LEAST_LEFT)
        still = usual + (length - usual / share) * share**2
    return np.asarray(still, dtype=np.float64)


def _meanwhile(wait: Array) -> Array:
    """What flows in during each run, in drawdowns a second: between the waits before and after it, (R,) [1/s]."""
    after = np.append(wait[1:], np.nan)[: wait.size]
    return np.asarray(0.5 / wait + 0.5 / np.where(np.isfinite(after), after, wait), dtype=np.float64)


def usual_waits(wait: Array) -> Array:
    """Median of each wait's known neighbours, (R,) [s]; the wait itself where it has none. NaN is unknown."""
    if not wait.size:
        return wait
    padded = np.concatenate([np.full(NEAR, np.nan), wait, np.full(NEAR, np.nan)])
    around = np.lib.stride_tricks.sliding_window_view(padded, 2 * NEAR + 1).copy()
    around[:, NEAR] = np.where(np.isfinite(np.delete(around, NEAR, axis=1)).any(axis=1), np.nan, around[:, NEAR])
    known = np.isfinite(around).any(axis=1)
    usual = np.full(wait.size, np.nan)
    usual[known] = np.nanmedian(around[known], axis=1)
    return usual
