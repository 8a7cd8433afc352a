"""The pump's flow and power, and the discharge line: how they moved since the baseline, and what is to be expected."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd

from forecaster.domain.longrecord import HousePart, PartState
from forecaster.domain.site import Site
from forecaster.health.judged import (
    PartHealth,
    Range,
    around,
    change_share,
    day_ms,
    day_text,
    month_text,
    percent_text,
    range_text,
    thinned,
    unknown,
)
from forecaster.health.measures import Blind, blind_to_runs, flow_series, need_share, power_series, sampled
from forecaster.health.trends import Course, below_days, course_of
from forecaster.texts.catalogue import Figure, Said, with_unit

WORTH_A_WORD, GRAVE = 0.04, 0.20
"""Loss of flow, as a share, that is told, and that asks for something to be done."""

POWER_OFF, POWER_FAR_OFF = 0.06, 0.15
"""The same for a change of the power, either way."""

FAST, BLOCKED, FAST_DAYS = 0.045, 0.15, 14.0
"""Loss of flow, as a share, that within FAST_DAYS means something in the way and not wear; and the loss from which on
something is to be done about it."""

SOON_DAYS = 90.0
"""Flow expected to fall to the need within so many days asks for something to be done."""

VAGUE = 0.06
"""Standard error, as a share, beyond which a change tells nothing."""

LEAST_NEED = 0.5
"""A pump is worn out below half of its first flow, however small the pit's need. This project's own choice."""


def flow_and_line(site: Site, table: pd.DataFrame) -> tuple[PartHealth, PartHealth]:
    """Judge pump flow and discharge line; table : daily table since the newest work, columns `frames.DAYS`."""
    kept = sampled(table)
    why = blind_to_runs(kept)
    if why is not None:
        return unknown(HousePart.PUMP_FLOW, why), unknown(HousePart.DISCHARGE_LINE, why)
    series, usual = flow_series(kept)
    course = course_of(series, falls=True)
    if course is None:
        return unknown(HousePart.PUMP_FLOW, Blind.YOUNG), unknown(HousePart.DISCHARGE_LINE, Blind.YOUNG)
    if course.change_error > VAGUE:
        return unknown(HousePart.PUMP_FLOW, Blind.QUIET), unknown(HousePart.DISCHARGE_LINE, Blind.QUIET)
    drawdown_l = site.pit.drawdown_l
    unit, scale = ("%", 100.0 / course.base) if drawdown_l is None else ("L/min", 60.0 * drawdown_l * usual)
    need = max(need_share(kept, series), LEAST_NEED * course.base)
    drawn = thinned(series.day, series.value, scale)
    found = [replace(part, course=drawn) for part in (_flow(course, unit, scale, need), _line(course, unit, scale))]
    if course.least > GRAVE * course.base:
        found = [unknown(part.part, Blind.QUIET) if part.state is PartState.GOOD else part for part in found]
    return found[0], found[1]


def _flow(course: Course, unit: str, scale: float, need: float) -> PartHealth:
    change = change_share(course)
    now = around(course.now, course.now_error, scale)
    falls = below_days(course, need)
    predicted = None if falls is None else tuple(
        None if days is None else day_ms(course.last_day + 1.0 + days) for days in falls
    )  # fmt: skip
    since = day_ms(course.since_day)
    moved = abs(change[1]) >= WORTH_A_WORD and course.sure()
    soon = falls is not None and falls[1] is not None and falls[1] <= SOON_DAYS
    state = PartState.GOOD
    if moved and change[1] < 0.0:
        grave = change[1] <= -GRAVE or soon or course.now < need
        state = PartState.ACT if grave else PartState.WATCH
    worse = state is not PartState.GOOD
    says = _changed("flow", change, since, now, unit) if moved else _still("flow", now, unit)
    if worse and predicted is not None:
        says = Said("health.and", first=says, then=Said("health.flow.ahead", month=month_text(predicted[1]),
                    early=month_text(predicted[0]), late=month_text(predicted[2])))  # fmt: skip
    do = Said("health.nothing")
    if worse:
        do = Said("health.flow.line.do" if _fast(course) else f"health.flow.{state}.do")
    return PartHealth(
        HousePart.PUMP_FLOW, state, says, do, unit, scale * course.base, day_ms(course.first_day), now, change,
        since if moved else None, predicted if worse else None,
    )  # fmt: skip


def _fast(course: Course) -> tuple[float, float] | None:
    """Day and lasting share of a fall of the flow that was too fast for wear, the newest such; None: there is none.

    One that began before the record did counts from its first day, and one in several steps from the first of them.
    """
    begun = (course.first_day if change.at_day is None else change.at_day for change in course.changes)
    found: tuple[float, float] | None = None
    for day in sorted(begun, reverse=True):
        if found is not None and found[0] - day > FAST_DAYS:
            break
        before = course.level(day - 1.0)
        fell = course.level(min(day + FAST_DAYS, course.last_day)) / before - 1.0
        stands = course.now / before - 1.0
        if fell <= -FAST and stands <= -FAST and course.sure(upward=False):
            found = day, stands
    return found


def _line(course: Course, unit: str, scale: float) -> PartHealth:
    """The discharge line: something in the way makes the flow fall within days or weeks, wear over months."""
    fast = _fast(course)
    change = change_share(course)
    now = around(course.now, course.now_error, scale)
    facts = (unit, scale * course.base, day_ms(course.first_day), now, change)
    if fast is None:
        says, do = Said("health.line.good"), Said("health.nothing")
        return PartHealth(HousePart.DISCHARGE_LINE, PartState.GOOD, says, do, *facts)
    at_ms, fell = day_ms(fast[0]) or 0, around(fast[1], course.change_error / course.base)
    state = PartState.ACT if fell[1] <= -BLOCKED else PartState.WATCH
    says = Said("health.line.blocked", change=percent_text(fell[1]), range=range_text(fell), day=day_text(at_ms))
    return PartHealth(HousePart.DISCHARGE_LINE, state, says, Said(f"health.line.{state}.do"), *facts, at_ms)


def power(table: pd.DataFrame) -> PartHealth:
    """Judge the pump's running power; table : daily table since the newest work on it, columns `frames.DAYS`."""
    kept = sampled(table)
    if not len(kept):
        return unknown(HousePart.PUMP_POWER, Blind.YOUNG)
    series, usual = power_series(kept)
    if not series.day.size:
        return unknown(HousePart.PUMP_POWER, Blind.UNMEASURED)
    course = course_of(series)
    if course is None:
        return unknown(HousePart.PUMP_POWER, Blind.YOUNG)
    change = change_share(course)
    now = around(course.now, course.now_error, usual)
    moved = course.sure() and abs(change[1]) >= POWER_OFF
    state = PartState.GOOD if not moved else PartState.ACT if abs(change[1]) >= POWER_FAR_OFF else PartState.WATCH
    since = day_ms(course.since_day) if moved else None
    says = _changed("power", change, since, now, "W") if moved else _still("power", now, "W")
    way = "more" if change[1] > 0.0 else "less"
    do = Said(f"health.power.{way}.do") if moved else Said("health.nothing")
    return PartHealth(
        HousePart.PUMP_POWER,
        state,
        says,
        do,
        "W",
        usual * course.base,
        day_ms(course.first_day),
        now,
        change,
        since,
        course=thinned(series.day, series.value, usual),
    )


def _still(what: str, now: Range, unit: str) -> Said:
    return Said(f"health.{what}.good", now=with_unit(f"{now[1]:.0f}", unit), range=Figure(f"{now[0]:.0f}–{now[2]:.0f}"))


def _changed(what: str, change: Range, since_ms: int | None, now: Range, unit: str) -> Said:
    way = "more" if change[1] > 0.0 else "less"
    since = "" if since_ms is None else Said("health.since", day=day_text(since_ms))
    return Said(
        f"health.{what}.{way}", change=percent_text(change[1]), range=range_text(change), since=since,
        now=with_unit(f"{now[1]:.0f}", unit),
    )  # fmt: skip
