"""Maps times and values to positions on the drawing, lying (time to the right) or standing (time downwards)."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta
from functools import lru_cache
from zoneinfo import ZoneInfo

from api.pages.svg import Point
from forecaster.domain.times import HOUR_MS


@dataclass(frozen=True, slots=True)
class Frame:
    """The time axis of a drawing.

    start_ms, end_ms : int — the stretch, UTC milliseconds
    head, tail : float — the positions of its beginning and end along the time direction
    tall : bool — time runs downwards
    """

    start_ms: int
    end_ms: int
    head: float
    tail: float
    tall: bool = False

    def along(self, at_ms: float) -> float:
        """The position of a moment along the time direction, limited to the frame."""
        share = (at_ms - self.start_ms) / (self.end_ms - self.start_ms)
        return self.head + (self.tail - self.head) * min(1.0, max(0.0, share))

    def at(self, at_ms: float, across: float) -> Point:
        """The point at a moment and at a position across the time direction."""
        along = self.along(at_ms)
        return (across, along) if self.tall else (along, across)

    def box(self, start_ms: float, end_ms: float, low: float, high: float) -> dict[str, float]:
        """x, y, width, height of a rectangle."""
        begin, end = self.along(start_ms), self.along(end_ms)
        near, far = min(low, high), max(low, high)
        if self.tall:
            return {"x": near, "y": begin, "width": far - near, "height": end - begin}
        return {"x": begin, "y": near, "width": end - begin, "height": far - near}

    def holds(self, at_ms: float) -> bool:
        """Whether a moment lies within the frame."""
        return self.start_ms <= at_ms <= self.end_ms


@dataclass(frozen=True, slots=True)
class Lane:
    """A value axis across the time direction: the value `low` lies at `low_at`, `high` at `high_at`."""

    low: float
    high: float
    low_at: float
    high_at: float

    def across(self, value: float) -> float:
        """The position of a value, limited to the lane."""
        share = (value - self.low) / (self.high - self.low)
        return self.low_at + (self.high_at - self.low_at) * min(1.0, max(0.0, share))


@dataclass(frozen=True, slots=True)
class Tick:
    """A mark of the clock: its moment, its local time, and whether a new day begins there."""

    at_ms: int
    local: datetime
    new_day: bool


def step_h(start_ms: int, end_ms: int, most: int) -> int:
    """Hours between ticks so that there are at most `most` of them: 1, 2, 3, 6, 12, 24, then whole days."""
    span_h = (end_ms - start_ms) / HOUR_MS
    for step in (1, 2, 3, 6, 12, 24, 48, 72, 168, 336, 720):
        if span_h / step <= most:
            return step
    return 24 * 90


@lru_cache(64)
def ticks(start_ms: int, end_ms: int, zone: ZoneInfo, most: int = 14) -> tuple[Tick, ...]:
    """Ticks at local hours divisible by the step, so that a day of 23 or 25 hours is drawn correctly."""
    step = step_h(start_ms, end_ms, most)
    moments = _hours(start_ms, end_ms, zone, step) if step < 24 else _days(start_ms, end_ms, zone, step // 24)
    found: list[Tick] = []
    day = None
    for local in moments:
        found.append(Tick(round(local.timestamp() * 1000), local, local.date() != day))
        day = local.date()
    return tuple(found)


def _hours(start_ms: int, end_ms: int, zone: ZoneInfo, step: int) -> Iterator[datetime]:
    quarter = HOUR_MS // 4  # zones lie whole quarters of an hour from UTC
    for at_ms in range(-(-start_ms // quarter) * quarter, end_ms + 1, quarter):
        local = local_time(at_ms, zone)
        if local.minute == 0 and local.hour % step == 0:
            yield local


def _days(start_ms: int, end_ms: int, zone: ZoneInfo, step: int) -> Iterator[datetime]:
    day = local_time(start_ms, zone).date()
    day += timedelta(days=-day.toordinal() % step)
    while (at_ms := (local := datetime.combine(day, time(), zone)).timestamp() * 1000) <= end_ms:
        if at_ms >= start_ms:
            yield local
        day += timedelta(days=step)


def local_time(at_ms: float, zone: ZoneInfo) -> datetime:
    """A moment in the site's zone."""
    return datetime.fromtimestamp(at_ms / 1000.0, UTC).astimezone(zone)
