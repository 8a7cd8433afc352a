"""The pack: its capacity and its own losses, from discharge tests and outages."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from statsmodels.regression.linear_model import WLS

from forecaster.domain.discharge import DischargeTest
from forecaster.domain.longrecord import HousePart, PartState
from forecaster.domain.runs import Outage
from forecaster.domain.times import DAY_MS, YEAR_DAYS
from forecaster.health.judged import PartHealth, around, day_ms, month_text, percent_text, range_text, thinned, unknown
from forecaster.health.measures import Blind
from forecaster.maths.arrays import Array
from forecaster.texts.catalogue import Figure, Said

LEAST_FALL = 10.0
"""Percentage points of charge that an outage must take to tell of the capacity."""

STEP_PERCENT, METER = 0.6, 0.04
"""Deviation of a charge that is told in whole steps [percentage points], and of the energy by meter and temperature, as
a share. Common practice, no source."""

FADED, WORN_OUT = 0.10, 0.30
"""Loss of capacity, as a share, that is told, and that asks for something to be done. This project's own choice."""

NEEDED = 0.8
"""The share of the first capacity at which a pack is usually replaced. Common practice, no source."""

MORE_LOST, FAR_MORE_LOST = 0.25, 0.75
"""Growth of the pack's own use, as a share, that is told, and that asks for something to be done."""

SURE = 3.5
LEAST_POINTS = 2


@dataclass(frozen=True, slots=True)
class PackPoints:
    """Measurements now and then, oldest first, (N,) each.

    day : days since 1970; value, deviation : in one unit; tested : 1 where a discharge test gave it, 0 for an outage
    """

    day: Array
    value: Array
    deviation: Array
    tested: Array


@dataclass(frozen=True, slots=True)
class Fade:
    """A line through measurements, in their unit: at the first, at the newest, the change, and the change a year.

    Each has its standard error.
    """

    first: float
    first_error: float
    now: float
    now_error: float
    change: float
    change_error: float
    a_year: float
    a_year_error: float


def capacity_points(tests: Sequence[DischargeTest], outages: Sequence[Outage], since_ms: int) -> PackPoints:
    """Capacities measured since a time [UTC ms], in Wh.

    From discharge tests, and from outages that took LEAST_FALL or more of the charge; rehearsals are left out.
    """
    rows: list[tuple[float, float, float, float]] = []
    for test in tests:
        found = None if test.result is None else test.result.capacity_wh
        if found is not None and test.finished_ms is not None and test.finished_ms >= since_ms:
            deviation = max((found[2] - found[0]) / 2.563, 0.02 * found[1])
            rows.append((test.finished_ms / DAY_MS, found[1], deviation, 1.0))
    for outage in outages:
        start, low, used = outage.start_charge_percent, outage.lowest_charge_percent, outage.energy_used_wh
        if outage.rehearsal or outage.start_ms < since_ms or start is None or low is None or not used:
            continue
        fall = start - low
        if fall >= LEAST_FALL:
            value = 100.0 * used / fall
            rows.append((outage.start_ms / DAY_MS, value, value * float(np.hypot(STEP_PERCENT / fall, METER)), 0.0))
    return _points(rows)


def loss_points(tests: Sequence[DischargeTest], since_ms: int) -> PackPoints:
    """What the pack uses itself [W], by the discharge tests since a time [UTC ms]."""
    rows: list[tuple[float, float, float, float]] = []
    for test in tests:
        found = None if test.result is None else test.result.idle_w
        if found is not None and test.finished_ms is not None and test.finished_ms >= since_ms:
            rows.append((test.finished_ms / DAY_MS, found[1], max((found[2] - found[0]) / 2.563, 0.5), 1.0))
    return _points(rows)


def _points(rows: list[tuple[float, float, float, float]]) -> PackPoints:
    table = np.array(sorted(rows), dtype=np.float64).reshape(-1, 4)
    return PackPoints(table[:, 0], table[:, 1], table[:, 2], table[:, 3])


def fade_of(points: PackPoints) -> Fade | None:
    """A weighted line through the points, tests and outages at a level each; None with too few or within 30 days."""
    if points.day.size < LEAST_POINTS or float(np.ptp(points.day)) < 30.0:
        return None
    years = (points.day - points.day[0]) / YEAR_DAYS
    mixed = 0.0 < points.tested.mean() < 1.0
    columns = np.column_stack([np.ones(years.size), years, *([points.tested] if mixed else [])])
    if np.linalg.matrix_rank(columns) < columns.shape[1]:
        return None
    fitted = WLS(points.value, columns, weights=points.deviation**-2.0).fit()
    means = np.asarray(fitted.params)
    scale = max(1.0, float(fitted.scale)) if years.size > columns.shape[1] else 1.0
    covariance = np.asarray(fitted.normalized_cov_params) * scale
    level = [1.0] if mixed else []
    return Fade(
        *_told(np.array([1.0, 0.0, *level]), means, covariance),
        *_told(np.array([1.0, years[-1], *level]), means, covariance),
        *_told(np.array([0.0, years[-1], *([0.0] if mixed else [])]), means, covariance),
        *_told(np.array([0.0, 1.0, *([0.0] if mixed else [])]), means, covariance),
    )


def _told(row: Array, means: Array, covariance: Array) -> tuple[float, float]:
    return float(row @ means), float(np.sqrt(row @ covariance @ row))


def capacity(tests: Sequence[DischargeTest], outages: Sequence[Outage], since_ms: int, now_ms: int) -> PartHealth:
    """Judge the pack's capacity since the newest work on it at since_ms; times in UTC milliseconds."""
    points = capacity_points(tests, outages, since_ms)
    fade = fade_of(points)
    if fade is None:
        return unknown(HousePart.PACK_CAPACITY, Blind.UNMEASURED if not points.day.size else Blind.SPARSE)
    change = around(fade.change, fade.change_error, 1.0 / fade.first)
    sure = fade.change < -SURE * fade.change_error and change[1] <= -FADED
    if not sure and fade.change_error > FADED * fade.first:
        return unknown(HousePart.PACK_CAPACITY, Blind.SPARSE, day_ms(float(points.day[0])))
    state = PartState.GOOD if not sure else PartState.ACT if change[1] <= -WORN_OUT else PartState.WATCH
    now = around(fade.now, fade.now_error)
    predicted = None if not sure else _until(fade, NEEDED * fade.first, float(points.day[-1]), now_ms)
    figure = Figure(f"{fade.now:.0f} Wh")
    if sure:
        says = Said("health.capacity.less", change=percent_text(change[1]), range=range_text(change), now=figure)
        if predicted is not None and fade.now > NEEDED * fade.first:
            says = Said("health.and", first=says, then=Said("health.capacity.ahead", month=month_text(predicted[1]),
                        early=month_text(predicted[0]), late=month_text(predicted[2])))  # fmt: skip
    else:
        says = Said("health.capacity.good", now=figure, range=Figure(f"{now[0]:.0f}–{now[2]:.0f}"))
    do = Said(f"health.capacity.{state}.do") if sure else Said("health.nothing")
    return PartHealth(
        HousePart.PACK_CAPACITY, state, says, do, "Wh", fade.first, day_ms(float(points.day[0])), now, change,
        None, predicted, thinned(points.day, points.value),
    )  # fmt: skip


def losses(tests: Sequence[DischargeTest], since_ms: int) -> PartHealth:
    """Judge what the pack uses itself while it carries, since the newest work on it at since_ms [UTC ms]."""
    points = loss_points(tests, since_ms)
    fade = fade_of(points)
    if fade is None or fade.first <= 0.0:
        return unknown(HousePart.PACK_LOSSES, Blind.UNMEASURED if not points.day.size else Blind.SPARSE)
    change = around(fade.change, fade.change_error, 1.0 / fade.first)
    sure = fade.change > SURE * fade.change_error and change[1] >= MORE_LOST
    state = PartState.GOOD if not sure else PartState.ACT if change[1] >= FAR_MORE_LOST else PartState.WATCH
    now = around(fade.now, fade.now_error)
    figure = Figure(f"{fade.now:.0f} W")
    key = "more" if sure else "good"
    says = Said(f"health.losses.{key}", change=percent_text(change[1]), range=range_text(change), now=figure)
    do = Said("health.losses.do") if sure else Said("health.nothing")
    return PartHealth(
        HousePart.PACK_LOSSES,
        state,
        says,
        do,
        "W",
        fade.first,
        day_ms(float(points.day[0])),
        now,
        change,
        course=thinned(points.day, points.value),
    )


def _until(fade: Fade, need: float, last_day: float, now_ms: int) -> tuple[int | None, ...]:
    """When a falling line meets a level, 10, 50 and 90 % points [UTC ms], not before now_ms; None after fifty years."""
    drawn = np.random.default_rng(11).normal(fade.a_year, fade.a_year_error, 4000)
    years = np.where(drawn < -1e-6, (fade.now - need) / np.maximum(-drawn, 1e-6), 1e3)
    quantiles = np.quantile(np.maximum(years, 0.0), (0.1, 0.5, 0.9))
    return tuple(
        None if year > 50.0 else max(now_ms, round((last_day + YEAR_DAYS * float(year)) * DAY_MS)) for year in quantiles
    )
