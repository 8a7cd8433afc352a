"""Pump and pit health from runs: flow and power over time, restarts at once, short cycling.

The volume pumped a cycle is fixed by the float, V; it cancels from every trend here. A cycle with run t and wait w
tells the pump's rate as V/t + V/w, whatever the inflow (Qi = V/w, Qp = V/t + Qi).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from itertools import pairwise

import numpy as np

from forecaster.domain.longrecord import HousePart, PartState, PartTold
from forecaster.domain.runs import Run
from forecaster.domain.times import DAY_MS, HOUR_MS
from forecaster.maths.arrays import Array
from forecaster.texts.catalogue import words

LEAST_DAYS, LEAST_A_DAY = 7, 4
"""A trend rests on at least so many days, each with so many cycles."""

SURE = 0.01
"""A trend is told where its p-value is smaller than this."""

WORN, POWER_OFF = 0.10, 0.10
"""Loss of flow and change of power over the time watched that are worth a word, as shares."""

AT_ONCE, AT_ONCE_SHARE = 0.2, 0.1
"""A restart within this share of the usual wait is "at once"; more than this share of cycles is a finding."""

STARTS_PER_HOUR = 40.0
SHORT_RUN_S = 5.0
"""More starts an hour, or shorter runs, wear a small motor's switch and winding. Common practice, no source."""

RUNS_BACK = 3.0
"""Water that rises this many times faster just after a stop than later has run back through the check valve."""

AFTER_STOP_S = 20.0


class Sign(StrEnum):
    """What a finding is about."""

    FLOW_FALLING = "flow-falling"
    POWER_CHANGED = "power-changed"
    CHECK_VALVE = "check-valve"
    SHORT_CYCLING = "short-cycling"
    PINNED = "power-pinned"
    LINE = "discharge-line"
    FLOAT = "float"


STUDIED_SIGNS = {
    HousePart.PUMP_FLOW: Sign.FLOW_FALLING, HousePart.PUMP_POWER: Sign.POWER_CHANGED,
    HousePart.CHECK_VALVE: Sign.CHECK_VALVE, HousePart.DISCHARGE_LINE: Sign.LINE, HousePart.FLOAT: Sign.FLOAT,
}  # fmt: skip
"""Signs that the daily study of the long record judges."""


@dataclass(frozen=True, slots=True)
class HealthFinding:
    """One thing to look at: what was seen, and what to do."""

    sign: Sign
    says: str
    action: str


@dataclass(frozen=True, slots=True)
class Trend:
    """A trend over days.

    change : float — over the time watched, as a share of the beginning; low, high : its 95 % range
    p_value : float — chance of a trend this strong by accident
    days : int — days it rests on
    """

    change: float
    low: float
    high: float
    p_value: float
    days: int

    @property
    def sure(self) -> bool:
        """Whether it is more than chance."""
        return self.p_value < SURE


@dataclass(frozen=True, slots=True)
class PumpHealth:
    """What the runs tell of pump and pit. None: too little was seen.

    runs : int — how many; days : float — time from the first to the last [days]
    run_s : float | None — median measured length [s]; running_w : float | None — median running power [W]
    flow, power : Trend | None — over daily medians; restarts_at_once : float | None — share of cycles, 0..1
    """

    runs: int
    days: float
    run_s: float | None
    running_w: float | None
    busiest_starts_per_hour: int
    flow: Trend | None
    power: Trend | None
    restarts_at_once: float | None
    findings: tuple[HealthFinding, ...]


def cycle_rates(runs: Sequence[Run]) -> tuple[Array, Array]:
    """Day of each whole cycle (days since 1970) and its pump rate, 1/run + 1/wait [drawdowns/s], (C,) each."""
    days, rates = [], []
    for run, after in pairwise(runs):
        wait_s = (after.start_ms - run.stop_ms) / 1000.0
        if run.measured and run.run_s > 0 and 0 < wait_s < 86_400.0:
            days.append(run.start_ms / DAY_MS)
            rates.append(1.0 / run.run_s + 1.0 / wait_s)
    return np.array(days, dtype=np.float64), np.array(rates, dtype=np.float64)


def trend(days: Array, values: Array) -> Trend | None:
    """Theil-Sen slope of daily medians (Sen 1968) with Kendall's tau (Mann 1945); None with too few days.

    days, values : (N,) — days since 1970, fractions included, and the measure at each
    """
    whole = np.floor(days).astype(np.int64)
    kept = [(float(day), values[whole == day]) for day in np.unique(whole)]
    medians = [(day, float(np.median(v))) for day, v in kept if v.size >= LEAST_A_DAY]
    if len(medians) < LEAST_DAYS:
        return None
    at = np.array([day for day, _ in medians])
    levels = np.array([level for _, level in medians])
    if float(np.ptp(levels)) == 0.0:
        return Trend(0.0, 0.0, 0.0, 1.0, len(medians))
    from scipy.stats import kendalltau, theilslopes  # 40 MB, only once a report is asked for

    slope, middle, low, high = theilslopes(levels, at, alpha=0.95)
    span, begin = float(at[-1] - at[0]), float(middle) + float(slope) * float(at[0])
    chance = float(kendalltau(at, levels).pvalue)
    return Trend(
        float(slope) * span / begin, float(low) * span / begin, float(high) * span / begin, chance, len(medians)
    )


def restarts_at_once(runs: Sequence[Run]) -> float | None:
    """Share of cycles whose wait was under a fifth of the usual one nearby; None with fewer than twenty."""
    waits = np.array([(b.start_ms - a.stop_ms) / 1000.0 for a, b in pairwise(runs)])
    waits = waits[waits > 0]
    if waits.size < 20:
        return None
    near = np.array([np.median(waits[max(0, k - 10) : k + 11]) for k in range(waits.size)])
    return float(np.mean(waits < AT_ONCE * near))


def busiest_hour(runs: Sequence[Run]) -> int:
    """Most starts within any 60 minutes."""
    starts = np.array([run.start_ms for run in runs], dtype=np.int64)
    if not starts.size:
        return 0
    return int(np.max(np.searchsorted(starts, starts + HOUR_MS) - np.arange(starts.size)))


def runs_back(runs: Sequence[Run], level: Sequence[tuple[int, float]]) -> float | None:
    """How many times faster the water rises just after a stop than later in the wait; None where too few waits tell.

    level : (time [UTC ms], height of the water [m]) in order of time
    """
    if len(level) < 20:
        return None
    times = np.array([t for t, _ in level], dtype=np.float64)
    heights = np.array([h for _, h in level], dtype=np.float64)
    ratios = []
    for run, after in pairwise(runs):
        soon_ms = run.stop_ms + AFTER_STOP_S * 1000.0
        if after.start_ms < run.stop_ms + 4 * AFTER_STOP_S * 1000.0:
            continue
        first, soon, last = np.searchsorted(times, [run.stop_ms, soon_ms, after.start_ms])
        if soon - first < 2 or last - soon < 3:
            continue
        at_once = (heights[soon] - heights[first]) / (times[soon] - times[first])
        later = (heights[last - 1] - heights[soon]) / (times[last - 1] - times[soon])
        if later > 0:
            ratios.append(float(at_once / later))
    return float(np.median(ratios)) if len(ratios) >= 5 else None


def examine(runs: Sequence[Run], level: Sequence[tuple[int, float]] = ()) -> PumpHealth:
    """What runs, in order, and the water level, where it is measured, tell of pump and pit."""
    days, rates = cycle_rates(runs)
    flow = trend(days, rates)
    powered = [run for run in runs if run.power_w is not None]
    watts = np.array([run.power_w for run in powered], dtype=np.float64)
    power = trend(np.array([run.start_ms / DAY_MS for run in powered], dtype=np.float64), watts)
    at_once, back = restarts_at_once(runs), runs_back(runs, level)
    busiest = busiest_hour(runs)
    lengths = [run.run_s for run in runs if run.measured]
    run_s = float(np.median(lengths)) if lengths else None
    findings = [
        *_flow(flow),
        *_power(power),
        *_valve(at_once, back),
        *_cycling(usual_hour(runs), run_s),
        *_pinned(runs),
    ]
    span = (runs[-1].stop_ms - runs[0].start_ms) / DAY_MS if runs else 0.0
    return PumpHealth(
        runs=len(runs),
        days=span,
        run_s=run_s,
        running_w=float(np.median(watts)) if watts.size else None,
        busiest_starts_per_hour=busiest,
        flow=flow,
        power=power,
        restarts_at_once=at_once,
        findings=tuple(findings),
    )


def _flow(flow: Trend | None) -> list[HealthFinding]:
    if flow is None or not flow.sure or flow.change > -WORN:
        return []
    said = words()("pump_sign.the_pump_lifts_less_water_a", less=-flow.change, days=flow.days)
    return [HealthFinding(Sign.FLOW_FALLING, said, words()("pump_sign.clean_inlet_and_check_valve_look"))]


def _power(power: Trend | None) -> list[HealthFinding]:
    if power is None or not power.sure or abs(power.change) < POWER_OFF:
        return []
    key = "pump_sign.takes_more" if power.change > 0 else "pump_sign.takes_less"
    said = words()(key, change=abs(power.change), days=power.days)
    do = (
        words()("pump_sign.look_for_a_rubbing_impeller_or")
        if power.change > 0
        else words()("pump_sign.look_for_a_clogged_inlet_or")
    )
    return [HealthFinding(Sign.POWER_CHANGED, said, do)]


def _valve(at_once: float | None, back: float | None) -> list[HealthFinding]:
    if back is not None and back > RUNS_BACK:
        said = words()("pump_sign.just_after_a_stop_the_water", back=back)
    elif at_once is not None and at_once > AT_ONCE_SHARE:
        said = words()("pump_sign.of_the_starts_follow_a_stop", at_once=at_once)
    else:
        return []
    return [HealthFinding(Sign.CHECK_VALVE, said, words()("pump_sign.look_at_the_check_valve_and"))]


def usual_hour(runs: Sequence[Run]) -> float:
    """Median number of starts over the clock hours that have any, which a storm's hours hardly move."""
    _, counts = np.unique(np.array([run.start_ms // HOUR_MS for run in runs], dtype=np.int64), return_counts=True)
    return float(np.median(counts)) if counts.size else 0.0


def with_study(health: PumpHealth, parts: Sequence[PartTold]) -> PumpHealth:
    """The same, with the daily study's judgement in place of its own where there is one, so that both say the same."""
    if not parts:
        return health
    kept = [finding for finding in health.findings if finding.sign not in STUDIED_SIGNS.values()]
    told = [
        HealthFinding(STUDIED_SIGNS[part.part], part.says, part.do)
        for part in parts
        if part.part in STUDIED_SIGNS and part.state in (PartState.WATCH, PartState.ACT)
    ]
    return replace(health, flow=None, power=None, findings=(*told, *kept))


def _cycling(usual: float, run_s: float | None) -> list[HealthFinding]:
    if usual <= STARTS_PER_HOUR and (run_s is None or run_s >= SHORT_RUN_S):
        return []
    if run_s is None:
        said = words()("pump_sign.starts", usual=usual)
    else:
        said = words()("pump_sign.starts_and_runs", usual=usual, run_s=run_s)
    return [HealthFinding(Sign.SHORT_CYCLING, said, words()("pump_sign.give_the_float_more_travel_so"))]


def _pinned(runs: Sequence[Run]) -> list[HealthFinding]:
    pinned = sum(run.clipped for run in runs)
    if not pinned:
        return []
    said = words()("pump_sign.in_runs_the_power_sat_at", pinned=pinned)
    return [HealthFinding(Sign.PINNED, said, words()("pump_sign.compare_with_the_same_pump_on"))]
