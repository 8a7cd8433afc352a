"""The inflow computed from the runs: each cycle lifts the water that has come since the one before."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

from forecaster.domain.readings import SeriesPoint
from forecaster.domain.runs import Run
from forecaster.domain.site import Pit

Step = tuple[int, int, float]


def inflow_steps(runs: Sequence[Run], pit: Pit, pump_rate_l_per_min: float | None) -> tuple[list[Step], bool]:
    """Inflow between the starts of neighbouring runs, oldest first, and whether it is in L/min.

    runs : oldest first.
    Inflow is V / t_off where the pit's drawdown is known, else duty times pump rate, else the duty in % (False).
    A cycle next to a censored edge is left out: nothing is drawn across a gap. Source of the formulas:
    UFC 3-240-04A, chapter 7 (cycle time of a wet well).
    """
    volume_l = pit.drawdown_l
    in_litres = volume_l is not None or pump_rate_l_per_min is not None
    steps: list[Step] = []
    for run, following in pairwise(runs):
        off_ms, cycle_ms = following.start_ms - run.stop_ms, following.start_ms - run.start_ms
        if run.stop_censored or following.start_censored or off_ms <= 0:
            continue
        if volume_l is not None:
            steps.append((run.start_ms, following.start_ms, volume_l / (off_ms / 60_000.0)))
        elif run.measured:
            duty = (run.stop_ms - run.start_ms) / cycle_ms
            factor = 100.0 if pump_rate_l_per_min is None else pump_rate_l_per_min
            steps.append((run.start_ms, following.start_ms, duty * factor))
    return steps, in_litres


def resampled(steps: Sequence[Step], start_ms: int, end_ms: int, bins: int) -> list[Step]:
    """Time-weighted means over equal bins; a bin of which less than half is known is left out."""
    width = (end_ms - start_ms) / bins
    known, total = [0.0] * bins, [0.0] * bins
    for start, stop, value in steps:
        first = max(0, int((start - start_ms) / width))
        for index in range(first, bins):
            low, high = start_ms + index * width, start_ms + (index + 1) * width
            if low >= stop:
                break
            shared = min(stop, high) - max(start, low)
            if shared > 0:
                known[index] += shared
                total[index] += shared * value
    return [
        (round(start_ms + index * width), round(start_ms + (index + 1) * width), total[index] / known[index])
        for index in range(bins)
        if known[index] * 2 >= width
    ]


def hourly_depth(points: Sequence[SeriesPoint], hour_ms: int = 3_600_000) -> list[Step]:
    """Rain depths [mm] added up by the hour; amounts come as buckets of count and mean."""
    sums: dict[int, float] = {}
    for point in points:
        hour = point.time_ms // hour_ms * hour_ms
        sums[hour] = sums.get(hour, 0.0) + point.count * point.mean
    return [(hour, hour + hour_ms, depth) for hour, depth in sorted(sums.items())]


def hourly_rate(points: Sequence[SeriesPoint], hour_ms: int = 3_600_000) -> list[Step]:
    """Rain rates [mm/h] as the mean of each hour, which is its depth [mm]."""
    seen: dict[int, list[float]] = {}
    for point in points:
        kept = seen.setdefault(point.time_ms // hour_ms * hour_ms, [0.0, 0.0])
        kept[0] += point.count * point.mean
        kept[1] += point.count
    return [(hour, hour + hour_ms, total / count) for hour, (total, count) in sorted(seen.items()) if count]
