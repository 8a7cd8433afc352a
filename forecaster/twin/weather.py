"""Rain: storms on a grid of time, their hourly totals, and what a weather service would have said beforehand."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from forecaster.maths.arrays import Array
from forecaster.twin.parameters import Climate

GRID_S = 60.0
"""Step of the grid of rain and inflow [s]."""

DAY_S = 86_400.0


@dataclass(frozen=True, slots=True)
class Storm:
    """One storm: its start and stop [s on the episode's own time], and its mean intensity [mm/h]."""

    start_s: float
    stop_s: float
    intensity_mm_per_h: float


def draw_storms(
    climate: Climate, start_s: float, stop_s: float, day_of_year: float, rng: np.random.Generator
) -> list[Storm]:
    """Storms that begin in [start_s, stop_s) [s on the episode's own time], oldest first.

    day_of_year : float — that of time 0
    """
    storms: list[Storm] = []
    peak = climate.storms_per_day * (1.0 + climate.wet_swing)
    at_s = start_s
    while True:
        at_s += float(rng.exponential(DAY_S / peak))
        if at_s >= stop_s:
            return storms
        season = climate.season(day_of_year + at_s / DAY_S) / (1.0 + climate.wet_swing)
        if rng.random() < season:
            storms.append(_storm(climate, at_s, rng))


def _storm(climate: Climate, start_s: float, rng: np.random.Generator) -> Storm:
    duration_s = float(rng.exponential(climate.storm_h * 3600.0))
    own = float(rng.gamma(climate.intensity_shape, climate.intensity_mm_per_h / climate.intensity_shape))
    return Storm(start_s, start_s + duration_s, own)


def rain_on_grid(storms: list[Storm], start_s: float, count: int, rng: np.random.Generator) -> Array:
    """Intensity [mm/h] in each grid step from start_s on, (count,); within a storm it changes every ten minutes."""
    rain = np.zeros(count)
    for storm in storms:
        first = max(0, math.floor((storm.start_s - start_s) / GRID_S))
        last = min(count, math.ceil((storm.stop_s - start_s) / GRID_S))
        if last <= first:
            continue
        gusts = rng.gamma(2.0, 0.5, size=(last - first) // 10 + 1)
        rain[first:last] += storm.intensity_mm_per_h * np.repeat(gusts, 10)[: last - first]
    return rain


def hourly_mm(rain_mm_per_h: Array, start_s: float, origin_ms: int) -> tuple[Array, Array]:
    """Rain in each whole UTC hour that the grid covers: starts of the hours [s] and depths [mm], both (H,).

    rain_mm_per_h : (N,) — rain in each grid step [mm/h]
    start_s : float — time of the first grid point [s on the episode's own time]
    origin_ms : int — time 0 of that, UTC milliseconds
    """
    first_hour_s = math.ceil((origin_ms / 1000.0 + start_s) / 3600.0) * 3600.0 - origin_ms / 1000.0
    skip = round((first_hour_s - start_s) / GRID_S)
    steps = round(3600.0 / GRID_S)
    hours = (rain_mm_per_h.size - skip) // steps
    depths = np.asarray(
        rain_mm_per_h[skip : skip + hours * steps].reshape(hours, steps).sum(axis=1) * (GRID_S / 3600.0)
    )
    return np.asarray(first_hour_s + 3600.0 * np.arange(hours), dtype=np.float64), depths


def outlook(hours_mm: Array, sigma: float, false_alarm: float, rng: np.random.Generator) -> Array:
    """What a weather service says of the hours ahead [mm], (H,): wrong in amount, up to an hour off, with false alarms.

    hours_mm : (H,) — depth that will fall in each hour ahead [mm]
    sigma : float — log-standard deviation of the amount in the next hour; with the lead time its part that differs from
        hour to hour grows, to twice itself after two days
    false_alarm : float — chance, in each hour, of rain told that never comes, 0..1
    """
    shift = int(rng.integers(-1, 2))
    moved = np.roll(hours_mm, shift)
    if shift > 0:
        moved[:shift] = hours_mm[0]
    elif shift < 0:
        moved[shift:] = hours_mm[-1]
    lead = 1.0 + np.arange(hours_mm.size) / 48.0
    common = rng.normal(0.0, sigma * 0.7)
    own = rng.normal(0.0, sigma * 0.7, size=hours_mm.size)
    said = moved * np.exp(common + own * lead - 0.5 * (0.7 * sigma) ** 2 * (1.0 + lead**2))
    wrong = rng.random(hours_mm.size) < false_alarm
    return np.asarray(np.round(said + wrong * rng.exponential(0.8, size=hours_mm.size), 1))
