"""The storm margin: the worst hours on record, and those to be expected, against what the pump lifts today."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import msgspec
import numpy as np
import pandas as pd

from forecaster.domain.longrecord import StudyRecord
from forecaster.domain.ports import Ledger
from forecaster.domain.site import Site
from forecaster.domain.times import YEAR_DAYS
from forecaster.engine.document import time_text
from forecaster.health.judged import quantiles, rounded
from forecaster.health.measures import Blind, blind_to_runs, column, day_numbers, flow_series, sampled
from forecaster.health.raintable import YEARS, kept_levels, kept_response, table_levels, told_levels
from forecaster.health.stormwords import StormSaid, storm_words
from forecaster.health.told import STORM
from forecaster.health.trends import course_of
from forecaster.maths.arrays import Array
from forecaster.record.frames import days_frame
from forecaster.record.peaks import PeakDraws, peaks_of, posterior
from forecaster.texts.catalogue import coded
from forecaster.water.design import Response

LEAST_DAYS = 60
"""Days on record that storms to come need at least."""

ALL_HOUR = 0.97
"""Share of an hour from which on the pump ran all through it, so that more may have flowed in than it lifted."""

DRAWS, KEPT = 2000, 200
SEED = 17


@dataclass(frozen=True, slots=True)
class PumpToday:
    """What the pump lifts now against each day of the record.

    day : (N,) — middle of each day; of_now : (N,) — its rate then as a share of the rate now
    error : float — standard error of the rate now, as a share; rate_l_per_min : float | None — now [L/min]
    """

    day: Array
    of_now: Array
    error: float
    rate_l_per_min: float | None


@dataclass(frozen=True, slots=True)
class StormMargin:
    """The worst hours on record, and those to come, as shares of what the pump lifts today.

    worst_hour, worst_six_hours : float | None — on record; None: the runs do not tell
    bound : bool — whether the pump ran all through the worst hour, which may then have been worse
    days : int — days on record
    draws, six_draws : PeakDraws | None — storms to come, by their worst hour and six hours; None: too short or too
        still a record
    freeboard_l : float | None — volume from switch-on until the floor is wet [L]
    """

    worst_hour: float | None
    worst_six_hours: float | None
    bound: bool
    days: int
    draws: PeakDraws | None
    six_draws: PeakDraws | None
    today: PumpToday | None
    freeboard_l: float | None


def pump_today(site: Site, table: pd.DataFrame) -> PumpToday:
    """The pump's rate over the record; taken as constant where the lengths of the runs do not tell it."""
    day = day_numbers(table)
    course = usual = None
    if blind_to_runs(table) is None:
        series, usual = flow_series(table)
        course = course_of(series)
    if course is None or usual is None or course.now <= 0.05:
        return PumpToday(day, np.ones(day.size), 0.1, site.pump.rated_flow_l_per_min)
    drawdown_l = site.pit.drawdown_l
    rate = site.pump.rated_flow_l_per_min if drawdown_l is None else 60.0 * drawdown_l * usual * course.now
    return PumpToday(day, np.interp(day, course.day, course.path) / course.now, course.now_error / course.now, rate)


def storm_margin(site: Site, table: pd.DataFrame) -> StormMargin:
    """The margin by the daily table, columns `frames.DAYS`, whole or a part of it."""
    kept = sampled(table)
    why = blind_to_runs(kept)
    freeboard_l = None
    if site.pit.freeboard_m is not None and site.pit.area_m2 is not None:
        freeboard_l = 1000.0 * site.pit.freeboard_m * site.pit.area_m2
    if not len(kept) or why in (Blind.COUNTER, Blind.YOUNG):
        return StormMargin(None, None, False, len(kept), None, None, None, freeboard_l)
    today = pump_today(site, kept)
    busy = np.clip(column(kept, "peak_hour_s") / 3600.0, 0.0, 1.0)
    long_busy = np.clip(column(kept, "peak_six_hours_s") / (6.0 * 3600.0), 0.0, 1.0)
    hour, six_hours = busy * today.of_now, long_busy * today.of_now
    worst = int(np.argmax(hour))
    return StormMargin(
        float(hour[worst]), float(six_hours.max()), bool(busy[worst] >= ALL_HOUR), len(kept),
        _to_come(kept, hour, busy, today), _to_come(kept, six_hours, long_busy, today), today, freeboard_l,
    )  # fmt: skip


def _to_come(table: pd.DataFrame, share: Array, busy: Array, today: PumpToday) -> PeakDraws | None:
    """What is believed of the storms ahead; None where the record is too short or too still.

    share : (N,) — the worst hour or hours of each day, of what the pump of today lifts
    busy : (N,) — share of them that the pump ran, 0..1
    """
    years = float(column(table, "heard_s").sum()) / (YEAR_DAYS * 86_400.0)
    if years * YEAR_DAYS < LEAST_DAYS:
        return None
    full = busy >= ALL_HOUR
    ceiling = float(share[full].min()) if full.any() else np.inf
    found = peaks_of(today.day, share, years, ceiling)
    if found is None:
        return None
    rng = np.random.default_rng(SEED)
    drawn = posterior(found, DRAWS, rng)
    error = np.exp(np.minimum(today.error, 0.3) * rng.normal(size=DRAWS))
    return PeakDraws(drawn.threshold, drawn.rate, drawn.scale * error, drawn.shape)


def inflow_share(table: pd.DataFrame, today: PumpToday) -> Array:
    """Inflow of each day as a share of what the pump of today lifts, (N,): the day's duty times its rate then."""
    ran_s = np.where(column(table, "told") > 0.0, column(table, "told_s"), column(table, "run_s"))
    heard_s = np.maximum(column(table, "heard_s"), 1.0)
    return np.asarray(np.clip(ran_s / heard_s, 0.0, 1.0) * today.of_now, dtype=np.float64)


def storm_document(site: Site, table: pd.DataFrame, now_ms: int, response: Response | None = None) -> dict[str, Any]:
    """The margin as the study keeps it: what the interface tells, codes of its words, and draws for trips.

    response : how the pit answers rain, for the owner's rain table; None: not learnt
    """
    margin = storm_margin(site, table)
    own = {hours: _own(draws) for hours, draws in ((1, margin.draws), (6, margin.six_draws))}
    by_table = draws = None
    if site.rain_table is not None and response is not None:
        found = table_levels(site.rain_table, response, _before(table, margin))
        by_table, draws = told_levels(site.rain_table, found), kept_levels(site.rain_table, found, KEPT)
    used = own if by_table is None else by_table
    levels, six_levels = (_levels(margin, used[hours]) for hours in (1, 6))
    says, do = storm_words(StormSaid(
        margin.worst_hour, margin.worst_six_hours, margin.bound, margin.days, levels, six_levels,
        _levels(margin, own[1]), site.rain_table is not None, None if by_table is None or response is None
        else round(response.storms),
    ))  # fmt: skip
    return {
        "as_of": time_text(now_ms), "worst_hour_of_pump": rounded(margin.worst_hour),
        "worst_six_hours_of_pump": rounded(margin.worst_six_hours), "at_least": margin.bound,
        "record_days": margin.days, "return_levels": levels, "return_levels_six_hours": six_levels,
        "levels_from": None if not levels else "record" if by_table is None else "rain-table",
        "says": str(says), "do": str(do), "codes": {"says": coded(says), "do": coded(do)},
        "draws": None if margin.draws is None else margin.draws.document(KEPT), "table_draws": draws,
        "table_stamp": None if site.rain_table is None else site.rain_table.stamp,
        "pump_rate_l_per_min": None if margin.today is None else rounded(margin.today.rate_l_per_min),
    }  # fmt: skip


def study_storm(site: Site, ledger: Ledger, now_ms: int) -> StudyRecord:
    """Hold the record against the pump of today, and keep that. Errors: StoreError, and what a study may fail with."""
    table = days_frame(ledger.days(site.id, 0, now_ms))
    response = None if site.rain_table is None else kept_response(site, ledger)
    document = storm_document(site, table, now_ms, response)
    record = StudyRecord(site.id, STORM, now_ms, now_ms, msgspec.json.encode(document).decode())
    ledger.save_study(record)
    return record


def _own(draws: PeakDraws | None) -> dict[float, Array]:
    """Levels by the record, draws by return period [years]."""
    return {} if draws is None else {years: draws.level(years) for years in YEARS}


def _before(table: pd.DataFrame, margin: StormMargin) -> Array:
    """Inflow of the days on record, of which any may be the one before a storm; none of it where runs do not tell."""
    return np.zeros(1) if margin.today is None else inflow_share(sampled(table), margin.today)


def _levels(margin: StormMargin, drawn: dict[float, Array]) -> list[dict[str, Any]]:
    return [_level(margin, level, years) for years, level in drawn.items()]


def _level(margin: StormMargin, level: Array, years: float) -> dict[str, Any]:
    """The hours that come once in so many years, and how soon their middle value wets the floor."""
    low, middle, high = (float(value) for value in np.quantile(level, (0.1, 0.5, 0.9)))
    return {
        "years": years, "of_pump": quantiles((low, middle, high)),
        "minutes_to_floor": rounded(_minutes(margin, middle)),
    }  # fmt: skip


def _minutes(margin: StormMargin, share: float) -> float | None:
    """From the start of such an hour until the floor is wet, with the pump running [min]; None: never, or not known."""
    rate = None if margin.today is None else margin.today.rate_l_per_min
    if share <= 1.0 or rate is None or margin.freeboard_l is None:
        return None
    return margin.freeboard_l / ((share - 1.0) * rate)
