"""The strip of time: runs, inflow, the charge with its expected course, and the chance that power is left.

One drawing in two settings: lying for a wide screen, standing (time downwards, like a log) for a narrow one.
Above the water line is the pack's charge; below it hang the runs and the water coming in; along the edge a table of
chances, in numerals and as a line of ink that runs dry.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from api.pages.frame import Frame
from forecaster.domain.forecast import ChargeAhead, SurvivalPoint

ChargePoint = tuple[int, float]
Steps = Sequence[tuple[int, int, float]]


@dataclass(frozen=True, slots=True)
class StripMarker:
    """The movable marker and its two labels."""

    at_ms: int
    name: str
    says: str


@dataclass(frozen=True, slots=True)
class StripWords:
    """All texts of the strip, already in the reader's language and the site's units."""

    title: str
    description: str
    charge: str
    runs: str
    water: str
    rain: str
    chance: str
    chance_name: str
    chance_short: str
    reserve: str
    now: str
    slider: str
    clock: Callable[[datetime], str]
    day: Callable[[datetime], str]
    short_day: Callable[[datetime], str]
    rate: Callable[[float], str]
    depth: Callable[[float], str]
    hundred: Callable[[float], str]


@dataclass(frozen=True, slots=True)
class StripData:
    """The data of a strip, in stored units.

    charge : measured charge [%], oldest first; fan : expected charge ahead
    mains : spans on mains; runs : (start, stop); water, rain, rain_ahead : steps (start, stop, value)
    water_ahead : (time, value) of the expected inflow
    reserve_at : p10, p50, p90 of the time at which the floor is reached
    events : labelled moments (transfers); water_scale : shown units in one stored unit of inflow
    gaps : spans in which the charge was not heard, (from, to)
    """

    now_ms: int
    start_ms: int
    end_ms: int
    zone: ZoneInfo
    charge: Sequence[ChargePoint]
    fan: Sequence[ChargeAhead]
    survival: Sequence[SurvivalPoint]
    mains: Sequence[tuple[int, int]]
    runs: Sequence[tuple[int, int]]
    water: Steps
    water_ahead: Sequence[tuple[int, float]]
    in_litres: bool
    rain: Steps
    rain_ahead: Steps
    reserve_percent: float
    reserve_at: tuple[int | None, int | None, int | None]
    events: Sequence[tuple[int, str]]
    water_scale: float = 1.0
    marker: StripMarker | None = None
    gaps: Sequence[tuple[int, int]] = ()


@dataclass(frozen=True, slots=True)
class Layout:
    """The positions of the lanes, (zero, full) across the time direction, and how many ticks fit."""

    name: str
    frame: Frame
    width: float
    height: float
    charge: tuple[float, float]
    runs: tuple[float, float]
    water: tuple[float, float]
    rain: tuple[float, float]
    hours: float
    chance: float
    ink: float
    most_ticks: int


def lying(start_ms: int, end_ms: int) -> Layout:
    """Time to the right, for 720 px and more."""
    return Layout(
        name="wide",
        frame=Frame(start_ms, end_ms, 84, 950),
        width=960,
        height=446,
        charge=(246, 36),
        runs=(250, 262),
        water=(266, 326),
        rain=(332, 356),
        hours=378,
        chance=408,
        ink=429,
        most_ticks=14,
    )


def standing(start_ms: int, end_ms: int) -> Layout:
    """Time downwards, for a phone held upright."""
    return Layout(
        name="tall",
        frame=Frame(start_ms, end_ms, 52, 640, tall=True),
        width=336,
        height=650,
        charge=(132, 268),
        runs=(129, 117),
        water=(113, 66),
        rain=(61, 46),
        hours=2,
        chance=304,
        ink=324,
        most_ticks=14,
    )


def nice(most: float) -> float:
    """The next round number at or above a value: 1, 2 or 5 times a power of ten; 0 for 0."""
    if most <= 0:
        return 0.0
    power = 1e-3
    while True:
        for factor in (1.0, 2.0, 5.0):
            if factor * power >= most:
                return factor * power
        power *= 10.0


def runs_together(steps: Steps) -> list[Steps]:
    """Steps grouped so that no group has a gap in time, because nothing is drawn across a gap."""
    groups: list[list[tuple[int, int, float]]] = []
    for step in steps:
        if groups and groups[-1][-1][1] == step[0]:
            groups[-1].append(step)
        else:
            groups.append([step])
    return list(groups)
