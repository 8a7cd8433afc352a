"""Values over time as they were heard, and those among them that go up and down in steps."""

from __future__ import annotations

import bisect
from dataclasses import dataclass
from itertools import pairwise
from statistics import median

from forecaster.texts.catalogue import Figure

MOST = 240
"""Values kept of a series; older ones are thinned out, so that long spans remain."""
QUARTER = 0.25
BETWEEN = 0.15
"""Greatest share of values between the two levels of what goes in steps."""
NEAR_S = 3.0
ALIKE = 0.7
"""Least share of the moments above at which another step is above too."""


@dataclass(frozen=True, slots=True)
class HeardValues:
    """Numbers with when each was heard [s, ascending]; of a yes/no field yes is 1 and no is 0."""

    times: tuple[float, ...]
    values: tuple[float, ...]
    yes_no: bool = False

    def sum_wh(self, start_s: float, end_s: float) -> float:
        """The sum over a span of a power in W, each value held until the next [Wh]."""
        total = 0.0
        for (begun, value), (ended, _) in pairwise(zip(self.times, self.values, strict=True)):
            total += value * max(0.0, min(ended, end_s) - max(begun, start_s))
        return total / 3600.0


@dataclass(frozen=True, slots=True)
class Steps:
    """A series that goes up and down between two levels.

    low, high : medians of what lies below and above; edges : how often it changes from one to the other
    times, above : when each value was heard [s], and whether it lies above; ups : when it lay above [s]
    near_s : how far apart two moments may be that are meant as one [s]
    """

    low: float
    high: float
    edges: int
    times: tuple[float, ...]
    above: tuple[bool, ...]
    ups: tuple[float, ...]
    near_s: float
    yes_no: bool


def spanned(low: float, high: float) -> Figure:
    """From the least to the greatest value, as it is told; one figure where they are the same."""
    return Figure(f"{low:g}" if low == high else f"{low:g} – {high:g}")


def thinned(times: list[float], values: list[float]) -> None:
    """Keep every second of the older half once there are too many."""
    if len(times) > MOST:
        half = MOST // 2
        times[:half], values[:half] = times[:half:2], values[:half:2]


def steps_of(series: HeardValues) -> Steps | None:
    """The steps of a series; None where it has no two levels, at least twice as high, that it goes between and back."""
    low, high = min(series.values), max(series.values)
    level = low + QUARTER * (high - low)
    above = tuple(value > level for value in series.values)
    edges = sum(earlier != later for earlier, later in pairwise(above))
    if edges < 2:
        return None
    upper = median(value for value, is_above in zip(series.values, above, strict=True) if is_above)
    lower = median(value for value, is_above in zip(series.values, above, strict=True) if not is_above)
    step = upper - lower
    between = sum(lower + QUARTER * step < value < upper - QUARTER * step for value in series.values)
    if lower < 0.0 or upper < 2.0 * lower or between > max(edges, BETWEEN * len(above)):
        return None
    ups = tuple(at for at, is_above in zip(series.times, above, strict=True) if is_above)
    near_s = max(NEAR_S, 1.5 * median(later - earlier for earlier, later in pairwise(series.times)))
    return Steps(lower, upper, edges, series.times, above, ups, near_s, series.yes_no)


def held(steps: Steps, at_s: float) -> bool:
    """Whether the newest value at a moment lies above."""
    place = bisect.bisect_right(steps.times, at_s) - 1
    return place >= 0 and steps.above[place]


def together(one: Steps, other: Steps) -> bool:
    """Whether both are above at the same moments."""
    return _covered(one, other) >= ALIKE and _covered(other, one) >= ALIKE


def _covered(one: Steps, other: Steps) -> float:
    """The share of the moments above of one, within the span of both, at which the other is above too."""
    near_s = other.near_s
    first, last = max(one.times[0], other.times[0]) - near_s, min(one.times[-1], other.times[-1]) + near_s
    ours = [at for at in one.ups if first <= at <= last]
    if not ours:
        return 0.0
    return sum(_nearest(other.ups, at) <= near_s for at in ours) / len(ours)


def _nearest(times: tuple[float, ...], at_s: float) -> float:
    place = bisect.bisect_left(times, at_s)
    return min((abs(at - at_s) for at in times[max(0, place - 1) : place + 1]), default=float("inf"))
