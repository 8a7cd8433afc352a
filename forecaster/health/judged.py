"""What is judged of a part: its state, its figures with their ranges, and what to do, in words of the catalogue."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import numpy as np

from forecaster.domain.longrecord import HousePart, PartState
from forecaster.domain.times import DAY_MS
from forecaster.engine.document import time_text
from forecaster.health.measures import Blind
from forecaster.health.trends import LEAST_DAYS, Course
from forecaster.maths.arrays import Array
from forecaster.texts.catalogue import Figure, Said, coded

TENTH = 1.2816
"""Deviations from the middle to the 10 and 90 % points of a normal distribution."""

MOST_POINTS = 80
"""Points of a course that are kept at most."""

Range = tuple[float, float, float]
"""10, 50 and 90 % points."""


@dataclass(frozen=True, slots=True)
class PartHealth:
    """What the long record tells of one part.

    unit : str — of baseline, now and course; empty where nothing is known
    baseline, baseline_ms : its value when it was new or last worked on, and since when [UTC ms]
    now : low, middle and high
    change : as a share, 10, 50 and 90 % points
    since_ms : int | None — date of the newest change [UTC ms]
    predicted_ms : when it falls below what is needed, 10, 50 and 90 % points [UTC ms]; None: not within fifty years
    course : (time [UTC ms], value) — for a small picture
    says, do : words that can be said again in any language
    pump : str — the name of the pump that it belongs to, where there are two; else ""
    """

    part: HousePart
    state: PartState
    says: str
    do: str
    unit: str = ""
    baseline: float | None = None
    baseline_ms: int | None = None
    now: Range | None = None
    change: Range | None = None
    since_ms: int | None = None
    predicted_ms: tuple[int | None, ...] | None = None
    course: tuple[tuple[int, float], ...] = ()
    pump: str = ""

    def document(self) -> dict[str, Any]:
        """As the interface tells it, with the codes of its words."""
        low, middle, high = self.now or (None, None, None)
        return {
            "part": self.part.value,
            **({"pump": self.pump} if self.pump else {}),
            "state": self.state.value,
            "baseline": {"value": rounded(self.baseline), "unit": self.unit, "since": _time(self.baseline_ms)},
            "now": {"value": rounded(middle), "low": rounded(low), "high": rounded(high)},
            "change": quantiles(self.change),
            "since": _time(self.since_ms),
            "predicted": None if self.predicted_ms is None else _times(self.predicted_ms),
            "says": str(self.says),
            "do": str(self.do),
            "course": [[at_ms, rounded(value)] for at_ms, value in self.course],
            "codes": {"says": coded(self.says), "do": coded(self.do)},
        }


def quantiles(of: Range | None) -> dict[str, float | None]:
    """10, 50 and 90 % points by name for JSON, rounded to four digits; None for each where there is no range."""
    low, middle, high = of or (None, None, None)
    return {"p10": rounded(low), "p50": rounded(middle), "p90": rounded(high)}


def around(middle: float, error: float, scale: float = 1.0) -> Range:
    """10, 50 and 90 % points of a normal distribution of mean `middle` and deviation `error`, times `scale`."""
    return (scale * (middle - TENTH * error), scale * middle, scale * (middle + TENTH * error))


def change_share(course: Course) -> Range:
    """Change since the baseline as a share of it: 10, 50 and 90 % points."""
    return around(course.change, course.change_error, 1.0 / max(course.base, 1e-9))


def thinned(day: Array, value: Array, scale: float = 1.0) -> tuple[tuple[int, float], ...]:
    """A course in time for a small picture: means over equal numbers of days, MOST_POINTS at most.

    day, value : (N,) — days since 1970, and values, NaN left out; scale : float — factor on the values
    """
    known = np.isfinite(value)
    day, value = day[known], value[known]
    step = max(1, -(-day.size // MOST_POINTS))
    starts = range(0, day.size, step)
    return tuple(
        (round(float(day[at : at + step].mean()) * DAY_MS), scale * float(value[at : at + step].mean()))
        for at in starts
    )


def unknown(part: HousePart, why: Blind, baseline_ms: int | None = None) -> PartHealth:
    """A part that cannot be judged, with the reason and what would help."""
    says = Said(f"health.blind.{why}", n=LEAST_DAYS)
    pack = part in (HousePart.PACK_CAPACITY, HousePart.PACK_LOSSES)
    return PartHealth(
        part, PartState.UNKNOWN, says, Said(f"health.blind.{'pack' if pack else why}.do"), baseline_ms=baseline_ms
    )


def day_ms(day: float | None) -> int | None:
    """A day of a series (days since 1970) as UTC milliseconds."""
    return None if day is None else round(day * DAY_MS)


def day_text(at_ms: int) -> str:
    """A day as every language reads it, 2026-03-03."""
    return Figure(datetime.fromtimestamp(at_ms / 1000.0, UTC).date().isoformat())


def month_text(at_ms: int | None) -> str:
    """A month, 2026-03; words for None, which lies beyond fifty years."""
    return Said("health.never") if at_ms is None else Figure(day_text(at_ms)[:7])


def percent_text(share: float) -> str:
    """A share without its sign as a whole percentage."""
    return Figure(f"{abs(share):.0%}")


def range_text(change: Range) -> str:
    """The range of a change without its sign, the smaller first."""
    ends = sorted(abs(end) for end in (change[0], change[2]))
    return Figure(f"{ends[0] * 100.0:.0f}–{ends[1]:.0%}")


def rounded(value: float | None) -> float | None:
    """To four digits, as documents give it."""
    return None if value is None else float(f"{value:.4g}")


def _time(at_ms: int | None) -> str | None:
    return None if at_ms is None else time_text(at_ms)


def _times(at_ms: tuple[int | None, ...]) -> dict[str, str | None]:
    return dict(zip(("p10", "p50", "p90"), map(_time, at_ms), strict=True))
