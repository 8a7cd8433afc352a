"""The study of a site's season: the inflow to be expected in each month, kept as a dated document."""

from __future__ import annotations

from typing import Any

import msgspec
import numpy as np
import pandas as pd

from forecaster.domain.longrecord import StudyRecord
from forecaster.domain.ports import Ledger
from forecaster.domain.site import Site
from forecaster.engine.document import time_text
from forecaster.health.judged import quantiles
from forecaster.health.measures import blind_to_runs, column, flow_series, sampled
from forecaster.health.storm import inflow_share, pump_today
from forecaster.health.told import SEASON
from forecaster.record.frames import days_frame
from forecaster.record.season import RainEffect, rain_effect, season_of
from forecaster.texts.catalogue import Figure, Said, coded
from forecaster.water.seasonal import SeasonBelief

LEAST_HEARD = 0.8
"""A day that was heard for a smaller share of its time tells nothing of the season."""

USUAL_RUN_S = 10.0
"""Length of a run, where none was measured [s]."""

MID_MONTH_DAYS = np.array([15, 46, 74, 105, 135, 166, 196, 227, 258, 288, 319, 349], dtype=np.float64)
"""Middle of each month as days of a year; 1970 began one."""


def study_season(site: Site, ledger: Ledger, now_ms: int) -> StudyRecord:
    """Learn the season of a site and keep it. Errors: StoreError, and what a study may fail with."""
    document = season_document(site, days_frame(ledger.days(site.id, 0, now_ms)), now_ms)
    record = StudyRecord(site.id, SEASON, now_ms, now_ms, msgspec.json.encode(document).decode())
    ledger.save_study(record)
    return record


def season_document(site: Site, table: pd.DataFrame, now_ms: int) -> dict[str, Any]:
    """The season as the study keeps it: what the interface tells, codes of its words, and the belief itself."""
    kept = sampled(table)
    kept = kept[kept["heard_s"] >= LEAST_HEARD * 86_400.0]
    belief = effect = None
    days = len(kept)
    if days:
        today = pump_today(site, kept)
        share = inflow_share(kept, today)
        per_day = 86_400.0 / usual_run_s(kept)
        belief = season_of(today.day, share, per_day)
        effect = None if belief is None else rain_effect(today.day, share, per_day, column(kept, "rain_mm"))
    months = [] if belief is None else _months(belief)
    says = _words(days, months, effect)
    return {
        "as_of": time_text(now_ms), "record_days": days, "months": months,
        "ten_mm": None if effect is None else quantiles(effect.same_day),
        "says": str(says), "codes": {"says": coded(says)}, "draws": None if belief is None else belief.document(),
    }  # fmt: skip


def usual_run_s(table: pd.DataFrame) -> float:
    """What one drawdown takes the pump of today, with no water flowing in [s]."""
    if blind_to_runs(table) is None:
        usual = flow_series(table)[1]
        if np.isfinite(usual) and usual > 0.0:
            return float(np.clip(1.0 / usual, 1.0, 3600.0))
    told, ran_s = float(table["told"].sum()), float(table["told_s"].sum())
    return float(np.clip(ran_s / told, 1.0, 3600.0)) if told > 0.0 and ran_s > 0.0 else USUAL_RUN_S


def _months(belief: SeasonBelief) -> list[dict[str, Any]]:
    points = belief.days_within(MID_MONTH_DAYS)
    return [{"month": month + 1, "of_pump": quantiles(tuple(points[:, month]))} for month in range(12)]


def _words(days: int, months: list[dict[str, Any]], effect: RainEffect | None) -> str:
    if not months:
        return Said("season.unknown", n=days)
    middle = [month["of_pump"]["p50"] for month in months]
    wettest, driest = int(np.argmax(middle)), int(np.argmin(middle))
    says: str = Said(
        "season.months", wet=Said(f"season.month-{wettest + 1}"), much=_percent(middle[wettest]),
        dry=Said(f"season.month-{driest + 1}"), little=_percent(middle[driest]),
    )  # fmt: skip
    if days < 365:
        says = Said("health.and", first=Said("season.young", n=days), then=says)
    if effect is not None:
        low, factor, high = (Figure(f"{value:.1f}") for value in effect.same_day)
        says = Said("health.and", first=says, then=Said("season.rain", factor=factor, low=low, high=high))
    return says


def _percent(share: float) -> str:
    return Figure(f"{share:.1%}")
