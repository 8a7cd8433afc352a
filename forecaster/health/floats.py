"""The float: starts that come late, and runs whose water spreads more than it did."""

from __future__ import annotations

import pandas as pd

from forecaster.domain.longrecord import HousePart, PartState
from forecaster.health.changes import DailySeries
from forecaster.health.judged import PartHealth, around, day_ms, day_text, percent_text, thinned, unknown
from forecaster.health.measures import Blind, blind_to_runs, late_series, sampled, spread_series
from forecaster.health.trends import Course, course_of
from forecaster.texts.catalogue import Said

LATE, OFTEN_LATE = 0.04, 0.12
"""Growth in the share of late starts, see `measures.late_series`, that is told, and that asks for something to do."""

TELLABLE = 0.10
"""A float is called good only where such a growth of that share would be told within a week or so."""

WIDER, WIDER_TIMES = 0.08, 1.6
"""The spread of a run's water over its mean is told once it has grown by the first and is so many times as wide."""


def float_switch(table: pd.DataFrame) -> PartHealth:
    """Judge the float; table : daily table since the newest work on it, columns `frames.DAYS`."""
    kept = sampled(table)
    why = blind_to_runs(kept)
    if why is not None:
        return unknown(HousePart.FLOAT, why)
    series = late_series(kept)
    course = course_of(series)
    if course is None:
        return unknown(HousePart.FLOAT, Blind.YOUNG)
    wider = _wider(spread_series(kept))
    late = course.sure(upward=True) and course.change >= LATE
    if not late and wider is None and course.least > TELLABLE:
        return unknown(HousePart.FLOAT, Blind.QUIET, day_ms(course.first_day))
    state = PartState.GOOD
    if late or wider is not None:
        state = PartState.ACT if late and course.change >= OFTEN_LATE else PartState.WATCH
    told = course if late or wider is None else wider
    since = day_ms(told.since_day) if state is not PartState.GOOD else None
    day = "" if since is None else Said("health.since", day=day_text(since))
    now = around(course.now, course.now_error, 100.0)
    if late:
        says = Said("health.float.late", share=percent_text(course.now), first=percent_text(course.base), since=day)
    elif wider is not None:
        says = Said("health.float.wider", share=percent_text(wider.now), first=percent_text(wider.base), since=day)
    else:
        says = Said("health.float.good", share=percent_text(max(course.now, 0.0)))
    do = Said("health.nothing") if state is PartState.GOOD else Said(f"health.float.{state}.do")
    return PartHealth(
        HousePart.FLOAT, state, says, do, "%", 100.0 * course.base, day_ms(course.first_day),
        (max(now[0], 0.0), max(now[1], 0.0), max(now[2], 0.0)), around(course.change, course.change_error), since,
        course=thinned(series.day, series.value, 100.0),
    )  # fmt: skip


def _wider(series: DailySeries | None) -> Course | None:
    """The course of the runs' spread; None unless it has grown by more than chance and enough to be told."""
    course = None if series is None else course_of(series)
    if course is None or not course.sure(upward=True) or course.change < WIDER:
        return None
    return course if course.now >= WIDER_TIMES * course.base else None
