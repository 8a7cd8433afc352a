"""The check valve: what share of a run's water comes back, by wet and dry hours of a day, and from a date on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from forecaster.domain.longrecord import HousePart, PartState
from forecaster.health.backflow import CERTAIN, Back, Backflow, backflow
from forecaster.health.judged import PartHealth, Range, around, day_ms, day_text, percent_text, range_text, unknown
from forecaster.health.measures import Blind, at_once_series, back_shares, blind_to_runs, sampled
from forecaster.health.trends import BASELINE_DAYS, LEAST_DAYS, course_of
from forecaster.maths.arrays import Array
from forecaster.texts.catalogue import Said

NEWEST_DAYS = (14, 28, 56)
"""Spans of newest days that are compared with all before."""

LEAST_SHARE, GRAVE_SHARE, SURE = 0.10, 0.40, 6.0
"""Share of a run's water coming back from which on it is told, and asks for something to be done; and by how many
standard errors it must exceed what came back before."""

TELLABLE_SHARE = 0.30
"""A valve is called good only where a share from here on would be told within two weeks."""

FROM_THE_START, RULED_OUT = 0.15, 2.0
"""A share that came back from the first day on is not ruled out where that of all days is so great, or where so many
standard errors beyond it lies TELLABLE_SHARE."""

VAGUE = 0.06
"""Standard error beyond which a share tells nothing."""

FEW_DAYS = 4.0
"""Least number of days that a share rests on, counted as Kish's effective number."""

AT_ONCE = 0.06
"""Growth in the share of restarts at once that is told."""


def check_valve(table: pd.DataFrame) -> PartHealth:
    """Judge the check valve; table : daily table since the newest work on it, columns `frames.DAYS`."""
    part = HousePart.CHECK_VALVE
    kept = sampled(table)
    why = blind_to_runs(kept)
    if why is not None:
        return unknown(part, why)
    at_once = course_of(at_once_series(kept))
    if at_once is None:
        return unknown(part, Blind.YOUNG)
    slopes = BackSlopes(*back_shares(kept))
    slope, base = share_back(slopes), first_share(slopes)
    begun = backflow(kept)
    often = at_once.sure(upward=True) and at_once.change >= AT_ONCE
    first_ms = day_ms(at_once.first_day)
    found = begun.found if begun.found is not None else slope
    if found is None and often:
        found = Back(at_once.change, at_once.change_error, at_once.since_day)
    if found is None:
        why = _hidden(begun)
        if why is not None:
            return unknown(part, why, first_ms)
        now = None if base is None or base.error > VAGUE else around(0.0, base.error, 100.0)
        says, do = Said("health.valve.good"), Said("health.nothing")
        return PartHealth(part, PartState.GOOD, says, do, "%", 0.0, first_ms, now)
    return _told(found, first_ms)


def _hidden(begun: Backflow) -> Blind | None:
    """Why a valve at which no leak is told may leak all the same; None: it hardly can."""
    always = begun.always
    if always.share >= max(FROM_THE_START, CERTAIN * always.error):
        return Blind.FROM_THE_START
    may = always.share >= FROM_THE_START or always.share + RULED_OUT * always.error > TELLABLE_SHARE
    return Blind.QUIET if may or begun.least_share > TELLABLE_SHARE else None


def _told(found: Back, first_ms: int | None) -> PartHealth:
    share: Range = around(found.share, found.error)
    state = PartState.ACT if found.share >= GRAVE_SHARE else PartState.WATCH
    since = day_ms(found.since_day)
    day = "" if since is None else Said("health.since", day=day_text(since))
    says = Said("health.valve.leaks", share=percent_text(found.share), range=range_text(share), since=day)
    now = (100.0 * share[0], 100.0 * share[1], 100.0 * share[2])
    return PartHealth(
        HousePart.CHECK_VALVE, state, says, Said(f"health.valve.{state}.do"), "%", 0.0, first_ms, now, share, since
    )


@dataclass(frozen=True, slots=True)
class BackSlopes:
    """Days with their two sums and the spread of a run, see `measures.back_shares`; (N,) each."""

    day: Array
    top: Array
    weight: Array
    spread: Array

    def over(self, kept: NDArray[np.bool_]) -> tuple[float, float]:
        """The share over some days and its standard error: the greater of that by the runs' spread and by the days'.

        The error is infinite where the share rests on fewer than FEW_DAYS days.
        """
        top, weight = self.top[kept], self.weight[kept]
        total = float(weight.sum())
        if total <= 0.0 or total**2 < FEW_DAYS * float((weight**2).sum()):
            return 0.0, float("inf")
        share = float(top.sum()) / total
        by_days = float(np.sqrt(((top - share * weight) ** 2).sum())) / total
        by_runs = float(np.sqrt((self.spread[kept] ** 2 * weight).sum())) / total
        return share, max(by_days, by_runs)


def first_share(slopes: BackSlopes) -> Back | None:
    """The share over the first eight weeks, with the standard error that two weeks have; None with too few days."""
    if slopes.day.size < LEAST_DAYS:
        return None
    early = slopes.day < slopes.day[0] + 2.0 * BASELINE_DAYS
    share, error = slopes.over(early)
    return Back(share, error * float(np.sqrt(early.sum() / 14.0)), None)


def share_back(slopes: BackSlopes) -> Back | None:
    """The share over the newest days less that of all before, where that is more than chance; None where it is not."""
    best: tuple[float, Back] | None = None
    day = slopes.day
    for span in NEWEST_DAYS:
        if day.size < span + 3 * LEAST_DAYS:
            continue
        late = day > day[-1] - span
        first, first_error = slopes.over(~late)
        now, now_error = slopes.over(late)
        error = float(np.hypot(first_error, now_error))
        if error > VAGUE or now - first < max(LEAST_SHARE, SURE * error):
            continue
        if best is None or (now - first) / error > best[0]:
            best = ((now - first) / error, Back(min(now - first, 1.0), error, _onset(slopes)))
    return None if best is None else best[1]


def _onset(slopes: BackSlopes) -> float:
    """The day that splits the series best: before and after it the shares differ most, by the squares explained."""
    behind, w_behind = np.cumsum(slopes.top)[:-1], np.cumsum(slopes.weight)[:-1]
    ahead, w_ahead = slopes.top.sum() - behind, slopes.weight.sum() - w_behind
    explained = behind**2 / np.maximum(w_behind, 1e-12) + ahead**2 / np.maximum(w_ahead, 1e-12)
    return float(slopes.day[1 + int(np.argmax(explained[LEAST_DAYS:-2])) + LEAST_DAYS])
