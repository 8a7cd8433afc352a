"""Domain objects as data frames: a UTC index named `time`, one typed column a fact, the unit in the column's name."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import msgspec
import pandas as pd

from forecaster.domain.alarms import Alarm
from forecaster.domain.longrecord import Day
from forecaster.domain.records import StoredForecast
from forecaster.domain.runs import Outage, Run

TIME = "datetime64[ms, UTC]"
INDEX = "time"

RUNS = {
    "stop": TIME, "run_s": "float64", "energy_wh": "float64", "power_w": "float64", "peak_w": "float64",
    "supply": "string", "source": "string", "samples": "int64", "measured": "bool", "clipped": "bool", "pump": "string",
}  # fmt: skip
"""Columns of the runs; the index is a run's start."""

OUTAGES = {
    "end": TIME, "lasted_h": "float64", "inferred": "bool", "rehearsal": "bool", "start_charge_percent": "float64",
    "lowest_charge_percent": "float64", "energy_used_wh": "float64", "forecast_p10_h": "float64",
    "forecast_p50_h": "float64", "forecast_p90_h": "float64", "reached_reserve": TIME,
}  # fmt: skip
"""Columns of the outages; the index is an outage's start. A time not known is NaT."""

FORECASTS = {
    "supply": "string", "basis": "string", "charge_percent": "float64", "usable_wh": "float64", "draw_w": "float64",
    "cycles_per_hour": "float64", "run_s": "float64", "wh_per_cycle": "float64", "duty": "float64",
    "hours_p05": "float64", "hours_p10": "float64", "hours_p25": "float64", "hours_p50": "float64",
    "hours_p75": "float64", "hours_p90": "float64", "hours_p95": "float64", "inflow_l_per_min": "float64",
    "pump_rate_l_per_min": "float64", "minutes_to_floor": "float64", "data_age_s": "float64", "degraded": "string",
}  # fmt: skip
"""Columns of the past forecasts; the index is when they were issued. Hours beyond the horizon are NaN."""

ALARMS = {
    "kind": "string", "priority": "string", "state": "string", "changed": TIME, "cleared": TIME, "acknowledged": TIME,
    "act_by": TIME, "headline": "string", "action": "string", "revision": "int64",
}  # fmt: skip
"""Columns of the alarms; the index is when they were raised. People's names are left out."""

_DAY_TYPES = {"int": "int64", "float": "float64", "float | None": "float64", "str": "string", "str | None": "string"}
DAYS = {
    field.name: _DAY_TYPES[str(field.type)]
    for field in dataclasses.fields(Day)
    if field.name not in {"site", "start_ms", "end_ms"}
}
"""Columns of the daily table; the index is when a day began at the site. See `forecaster.domain.longrecord.Day`."""


def times(at_ms: Sequence[int | None]) -> pd.Series[Any]:
    """UTC milliseconds as a typed column; None is NaT."""
    return pd.Series(
        pd.DatetimeIndex(pd.to_datetime(pd.array(at_ms, dtype="Int64"), unit="ms", utc=True)).as_unit("ms")
    )


def frame(at_ms: Sequence[int], rows: Sequence[Mapping[str, Any]], types: Mapping[str, Any]) -> pd.DataFrame:
    """Rows as a frame.

    at_ms : the index, UTC milliseconds; rows : one mapping a row, times in it as UTC milliseconds or None
    types : column -> pandas type, in order
    """
    columns: dict[str, Any] = {}
    for name, kind in types.items():
        values = [row[name] for row in rows]
        columns[name] = times(values) if kind == TIME else pd.Series(values, dtype=kind)
    table = pd.DataFrame(columns)
    table.index = pd.DatetimeIndex(times(list(at_ms)), name=INDEX)
    return table


def runs_frame(runs: Iterable[Run]) -> pd.DataFrame:
    """Runs, in the order given; columns RUNS."""
    found = list(runs)
    rows = [
        {
            "stop": run.stop_ms, "run_s": run.run_s, "energy_wh": run.energy_wh, "power_w": run.power_w,
            "peak_w": run.peak_w, "supply": run.supply.value, "source": run.source.value, "samples": run.samples,
            "measured": run.measured, "clipped": run.clipped, "pump": run.pump,
        }
        for run in found
    ]  # fmt: skip
    return frame([run.start_ms for run in found], rows, RUNS)


def outages_frame(outages: Iterable[Outage]) -> pd.DataFrame:
    """Outages, in the order given; columns OUTAGES."""
    found = list(outages)
    rows = []
    for outage in found:
        low, middle, high = outage.forecast_h or (None, None, None)
        lasted_ms = None if outage.end_ms is None else outage.end_ms - outage.start_ms
        rows.append(
            {
                "end": outage.end_ms, "lasted_h": None if lasted_ms is None else lasted_ms / 3.6e6,
                "inferred": outage.inferred, "rehearsal": outage.rehearsal,
                "start_charge_percent": outage.start_charge_percent,
                "lowest_charge_percent": outage.lowest_charge_percent, "energy_used_wh": outage.energy_used_wh,
                "forecast_p10_h": low, "forecast_p50_h": middle, "forecast_p90_h": high,
                "reached_reserve": outage.reached_reserve_ms,
            }
        )  # fmt: skip
    return frame([outage.start_ms for outage in found], rows, OUTAGES)


def forecasts_frame(forecasts: Iterable[StoredForecast]) -> pd.DataFrame:
    """Past forecasts, in the order given; columns FORECASTS."""
    found = list(forecasts)
    return frame([item.issued_ms for item in found], [_forecast(item.document) for item in found], FORECASTS)


def _forecast(text: str) -> dict[str, Any]:
    document = msgspec.json.decode(text)
    hours, water = document.get("hours_remaining") or {}, document.get("water") or {}
    flat = {**document, **{f"hours_{level}": value for level, value in hours.items()}, **water}
    flat["degraded"] = "; ".join(document.get("degraded") or ())
    return {name: flat.get(name) for name in FORECASTS}


def alarms_frame(alarms: Iterable[Alarm]) -> pd.DataFrame:
    """Alarms in their newest revision, in the order given; columns ALARMS."""
    found = list(alarms)
    rows = [
        {
            "kind": alarm.kind.value, "priority": alarm.priority.value, "state": alarm.state.value,
            "changed": alarm.changed_ms, "cleared": alarm.cleared_ms, "acknowledged": alarm.acknowledged_ms,
            "act_by": alarm.by_ms, "headline": alarm.headline, "action": alarm.action, "revision": alarm.revision,
        }
        for alarm in found
    ]  # fmt: skip
    return frame([alarm.raised_ms for alarm in found], rows, ALARMS)


def days_frame(days: Iterable[Day]) -> pd.DataFrame:
    """The daily table, in the order given; columns DAYS."""
    found = list(days)
    rows = [{name: getattr(day, name) for name in DAYS} for day in found]
    return frame([day.start_ms for day in found], rows, DAYS)
