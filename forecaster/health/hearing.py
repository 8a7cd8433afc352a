"""Telemetry: what share of the time the house is heard, and how much of what it says is refused."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from forecaster.domain.longrecord import HousePart, PartState
from forecaster.domain.readings import Refusal
from forecaster.domain.times import DAY_MS
from forecaster.health.judged import PartHealth, day_ms, percent_text, thinned, unknown
from forecaster.health.measures import Blind, column, day_numbers
from forecaster.texts.catalogue import Said

NEWEST = 7
"""Days over which the telemetry is judged."""

LEAST_HEARD, HARDLY_HEARD = 0.95, 0.80
"""Being heard for less than these shares of the time is worth a word, and asks for something to be done."""

MANY_REFUSED = 100
"""Refused messages within the newest days that are worth a word."""


def telemetry(table: pd.DataFrame, refusals: Sequence[Refusal], now_ms: int) -> PartHealth:
    """Judge how the house was heard in the newest days; table : daily table, columns `frames.DAYS`; now_ms [UTC ms]."""
    if len(table) < NEWEST:
        return unknown(HousePart.TELEMETRY, Blind.YOUNG)
    heard = np.clip(column(table, "heard_s") / 86_400.0, 0.0, 1.0)
    day = day_numbers(table)
    newest, usual = heard[-NEWEST:], float(np.median(heard))
    share = float(newest.mean())
    refused = sum(refusal.arrived_ms >= now_ms - NEWEST * DAY_MS for refusal in refusals)
    state = PartState.GOOD
    if share < LEAST_HEARD or refused >= MANY_REFUSED:
        state = PartState.ACT if share < HARDLY_HEARD else PartState.WATCH
    key = "good" if state is PartState.GOOD else "refused" if share >= LEAST_HEARD else "unheard"
    says = Said(f"health.telemetry.{key}", share=percent_text(share), n=refused)
    do = Said("health.nothing") if state is PartState.GOOD else Said("health.telemetry.do")
    now = (100.0 * float(newest.min()), 100.0 * share, 100.0 * float(newest.max()))
    change = share / max(usual, 0.01) - 1.0
    return PartHealth(
        HousePart.TELEMETRY,
        state,
        says,
        do,
        "%",
        100.0 * usual,
        day_ms(float(day[0])),
        now,
        (change, change, change),
        course=thinned(day, heard, 100.0),
    )
