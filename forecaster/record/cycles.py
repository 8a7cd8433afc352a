"""What the cycles of a day come to, told without bias from runs that were sampled coarsely: plain sums over arrays.

A pump that lifts the drawdown V runs t = V / (Qp - Qi) after a wait w = V / Qi (MIL-HDBK-1005/9A 2.5.3.6, Eq. 1-2), so
that t / (1 + t / w) = V / Qp, its dry run, whatever the inflow. Means of sampled lengths are unbiased, medians are not:
a run of 12 s sampled every 10 s is 10 s or 20 s long. Where every run is caught by a sample, that is.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from forecaster.maths.arrays import Array

NEAR = 4
"""So many waits before and after one are its neighbourhood."""

LATE = 1.5
"""A wait of more than this many usual ones nearby is a late start: the run after it lifts more than the drawdown."""

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

    start_s, stop_s, samples : (R,) — edges [s], and readings that caught each run
    told : (R,) — whether a length is a measurement, if only by one sample; whole : the wait before was heard throughout
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
    dry = length[paired] / (1.0 + length[paired] * _meanwhile(wait)[paired])
    pace = 1.0 / usual[paired]
    return CycleFacts(
        told=int(kept.sum()), told_s=float(length[kept].sum()), told_s2=float((length[kept] ** 2).sum()),
        single=int((kept & (samples <= 1)).sum()), paired=int(paired.sum()),
        dry_s=float(dry.sum()), dry_s2=float((dry**2).sum()),
        pace_per_s=float(pace.sum()), pace2_per_s2=float((pace**2).sum()), dry_pace=float((dry * pace).sum()),
        late=int(late.sum()),
    )  # fmt: skip


def _meanwhile(wait: Array) -> Array:
    """What flows in during each run, in drawdowns a second: between the waits before and after it, (R,) [1/s]."""
    after = np.append(wait[1:], np.nan)[: wait.size]
    return np.asarray(0.5 / wait + 0.5 / np.where(np.isfinite(after), after, wait), dtype=np.float64)


def usual_waits(wait: Array) -> Array:
    """Median of each wait's neighbours on both sides, itself left out; NaN stays out of it; shapes (R,)."""
    if not wait.size:
        return wait
    padded = np.concatenate([np.full(NEAR, np.nan), wait, np.full(NEAR, np.nan)])
    around = np.lib.stride_tricks.sliding_window_view(padded, 2 * NEAR + 1).copy()
    around[:, NEAR] = np.where(np.isfinite(np.delete(around, NEAR, axis=1)).any(axis=1), np.nan, around[:, NEAR])
    known = np.isfinite(around).any(axis=1)
    usual = np.full(wait.size, np.nan)
    usual[known] = np.nanmedian(around[known], axis=1)
    return usual
