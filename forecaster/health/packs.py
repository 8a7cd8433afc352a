"""The pack: its capacity and its own losses, from discharge tests and outages."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.linalg import block_diag

from forecaster.domain.discharge import DischargeTest
from forecaster.domain.longrecord import HousePart, PartState
from forecaster.domain.runs import Outage
from forecaster.domain.site import Site
from forecaster.domain.times import DAY_MS
from forecaster.health.judged import PartHealth, around, day_ms, month_text, percent_text, range_text, thinned, unknown
from forecaster.health.measures import Blind
from forecaster.pack.fading import SURE, PackPoints, fade_of, grew, meets
from forecaster.pack.tested import measured_capacity, tested
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


def capacity_points(
    site: Site,
    tests: Sequence[DischargeTest],
    outages: Sequence[Outage],
    since_ms: int,
    replaced_ms: int | None = None,
) -> PackPoints:
    """Capacities measured since a time [UTC ms], in Wh.

    From discharge tests, and from outages that took LEAST_FALL or more of the charge; rehearsals are left out, and so
    is what was taken for a discharge test afterwards.
    replaced_ms : when one pack took the place of another, whose tests tell nothing of its losses
    """
    done = measured_capacity(tests, since_ms)
    first = [test for test in done if replaced_ms is not None and (test.finished_ms or 0) < replaced_ms]
    parts = [tested(part, site) for part in (first, done[len(first) :])]
    rows: list[tuple[float, float, float]] = []
    for outage in outages:
        start, low, used = outage.start_charge_percent, outage.lowest_charge_percent, outage.energy_used_wh
        if outage.rehearsal or outage.start_ms < since_ms or start is None or low is None or not used:
            continue
        if any(test.started_ms <= outage.start_ms < (test.finished_ms or 0) for test in done):
            continue
        fall = start - low
        if fall >= LEAST_FALL:
            value = 100.0 * used / fall
            rows.append((outage.start_ms / DAY_MS, value, value * float(np.hypot(STEP_PERCENT / fall, METER))))
    by_outages = _points(rows, 0.0)
    return _in_order(
        PackPoints(
            np.concatenate([*(part.day for part in parts), by_outages.day]),
            np.concatenate([*(part.capacity_wh for part in parts), by_outages.value]),
            block_diag(*(part.covariance for part in parts if part.day.size), by_outages.covariance),
            np.concatenate([np.ones(len(done)), by_outages.tested]),
        )
    )


def loss_points(tests: Sequence[DischargeTest], since_ms: int) -> PackPoints:
    """What the pack uses itself [W], by the discharge tests since a time [UTC ms]."""
    rows: list[tuple[float, float, float]] = []
    for test in tests:
        found = None if test.result is None else test.result.idle_w
        if found is not None and test.finished_ms is not None and test.finished_ms >= since_ms:
            rows.append((test.finished_ms / DAY_MS, found[1], max((found[2] - found[0]) / 2.563, 0.5)))
    return _in_order(_points(rows, 1.0))


def _points(rows: list[tuple[float, float, float]], by_test: float) -> PackPoints:
    """Measurements with errors of their own: day, value, deviation."""
    table = np.array(rows, dtype=np.float64).reshape(-1, 3)
    return PackPoints(table[:, 0], table[:, 1], np.diag(table[:, 2] ** 2), np.full(len(rows), by_test))


def _in_order(points: PackPoints) -> PackPoints:
    order = np.argsort(points.day, kind="stable")
    return PackPoints(
        points.day[order], points.value[order], points.covariance[np.ix_(order, order)], points.tested[order]
    )


def capacity(
    site: Site, tests: Sequence[DischargeTest], outages: Sequence[Outage], since_ms: int, now_ms: int
) -> PartHealth:
    """Judge the pack's capacity since the newest work on it at since_ms; times in UTC milliseconds."""
    points = capacity_points(site, tests, outages, since_ms)
    grown = grew(points)
    if grown is not None:
        return _another_pack(grown)
    fade = fade_of(points)
    if fade is None:
        return unknown(HousePart.PACK_CAPACITY, Blind.UNMEASURED if not points.day.size else Blind.SPARSE)
    change = around(fade.change, fade.change_error, 1.0 / fade.first)
    sure = fade.change < -SURE * fade.change_error and change[1] <= -FADED
    if not sure and fade.change_error > FADED * fade.first:
        return unknown(HousePart.PACK_CAPACITY, Blind.SPARSE, day_ms(float(points.day[0])))
    state = PartState.GOOD if not sure else PartState.ACT if change[1] <= -WORN_OUT else PartState.WATCH
    now = around(fade.now, fade.now_error)
    predicted = None if not sure else meets(fade, NEEDED * fade.first, float(points.day[-1]), now_ms)
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


def _another_pack(grown: tuple[float, float]) -> PartHealth:
    """The capacity rose: what another pack held before must not be its baseline."""
    day, share = grown
    says = Said("years.grew", share=percent_text(share), month=month_text(day_ms(day)))
    return PartHealth(HousePart.PACK_CAPACITY, PartState.UNKNOWN, says, Said("health.blind.pack.do"))


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
