"""The zoo's table: what each row came to over its seeds, and all of them together."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from forecaster.domain.forecast import LEVELS
from forecaster.domain.times import YEAR_DAYS
from forecaster.maths.arrays import Array
from forecaster.score.zoo_walk import ZooForecast, ZooOutcome

P05, P10, P50, P90, P95 = (LEVELS.index(level) for level in (0.05, 0.1, 0.5, 0.9, 0.95))

GROSS = 0.25
LOW_QUARTER_PERCENT = 25.0
RESAMPLES = 1000


@dataclass(frozen=True, slots=True)
class ZooFigures:
    """One row, or several together. Shares are 0..1.

    gross : share of forecasts whose 5-95 % range misses the truth and whose median is off by more than a quarter
    coverage, coverage_low, coverage_high : of the 10-90 % range, and its 95 % interval, outages resampled whole
    low_quarter : coverage where less than a quarter of the energy is left; None without such forecasts
    width : median width of that range over the truth
    median_error, slope_error : median relative error of the median, and of the plain slope of the charge
    late : outages in which `mains-lost` came later than due; never : in which it never came
    lost_s : the median and the longest time to `mains-lost` [s], None where it never came
    most_flips : the most changes of supply in one outage; one is right
    cleared : outages in which `mains-lost` or a reserve alarm was cleared on the way down
    least_lead_h : the shortest time from the first reserve alarm told to the floor [h]; None: one outage had none
    short_lead : outages with less than an hour of it, or none
    false_a_year : alarms on mains that nothing explains, per site-year
    strange : alarm kind -> outages in which it was raised and nothing explains it
    degraded : reason -> forecasts that gave it
    """

    outages: int
    forecasts: int
    gross: float
    coverage: float
    coverage_low: float
    coverage_high: float
    low_quarter: float | None
    width: float
    median_error: float
    slope_error: float | None
    late: int
    never: int
    lost_s: tuple[float, float] | None
    most_flips: int
    cleared: int
    least_lead_h: float | None
    short_lead: int
    false_a_year: float
    strange: dict[str, int]
    degraded: dict[str, int]


@dataclass(frozen=True, slots=True)
class ZooReport:
    """Figures by the name of each row, and pooled.

    pooled : under "all", "charge and energy arrive" and "one of them does not"; a pool without outages is left out
    """

    rows: dict[str, ZooFigures]
    pooled: dict[str, ZooFigures]

    def document(self) -> dict[str, Any]:
        """The report as nested dictionaries, for JSON."""
        return asdict(self)


def is_gross(said: ZooForecast) -> bool:
    """Whether the truth lies outside the 5-95 % range and the median is off by more than GROSS of it."""
    outside = not said.quantiles[P05] <= said.hours <= said.quantiles[P95]
    return outside and abs(said.quantiles[P50] / said.hours - 1.0) > GROSS


def holds(said: ZooForecast) -> bool:
    """Whether the 10-90 % range holds the truth."""
    return said.quantiles[P10] <= said.hours <= said.quantiles[P90]


def zoo_report(outcomes: Sequence[ZooOutcome]) -> ZooReport:
    """The whole table, rows in the order in which they first come."""
    rows: dict[str, list[ZooOutcome]] = defaultdict(list)
    for outcome in outcomes:
        rows[outcome.row].append(outcome)
    pools = {
        "all": list(outcomes),
        "charge and energy arrive": [outcome for outcome in outcomes if outcome.still_known],
        "one of them does not": [outcome for outcome in outcomes if not outcome.still_known],
    }
    return ZooReport(
        rows={name: zoo_figures(group) for name, group in rows.items()},
        pooled={name: zoo_figures(group) for name, group in pools.items() if group},
    )


def zoo_figures(outcomes: Sequence[ZooOutcome]) -> ZooFigures:
    """Figures of some outages together, at least one."""
    said = [forecast for outcome in outcomes for forecast in outcome.forecasts]
    low = [forecast for forecast in said if forecast.percent < LOW_QUARTER_PERCENT]
    slopes = [abs(f.slope_h / f.hours - 1.0) for f in said if f.slope_h is not None]
    coverage_low, coverage_high = _interval(outcomes)
    lost = [outcome.mains_lost_s for outcome in outcomes if outcome.mains_lost_s is not None]
    leads = [outcome.lead_h for outcome in outcomes]
    known_leads = [lead for lead in leads if lead is not None]
    years = sum(outcome.quiet_days for outcome in outcomes) / YEAR_DAYS
    return ZooFigures(
        outages=len(outcomes),
        forecasts=len(said),
        gross=_mean([is_gross(forecast) for forecast in said]),
        coverage=_mean([holds(forecast) for forecast in said]),
        coverage_low=coverage_low,
        coverage_high=coverage_high,
        low_quarter=_mean([holds(forecast) for forecast in low]) if low else None,
        width=_median([(f.quantiles[P90] - f.quantiles[P10]) / f.hours for f in said]),
        median_error=_median([abs(f.quantiles[P50] / f.hours - 1.0) for f in said]),
        slope_error=_median(slopes) if slopes else None,
        late=sum(o.mains_lost_s is not None and o.mains_lost_s > o.due_s for o in outcomes),
        never=len(outcomes) - len(lost),
        lost_s=(_median(lost), max(lost)) if lost else None,
        most_flips=max(outcome.flips for outcome in outcomes),
        cleared=sum(outcome.cleared > 0 for outcome in outcomes),
        least_lead_h=min(known_leads) if len(known_leads) == len(leads) else None,
        short_lead=sum(lead is None or lead < 1.0 for lead in leads),
        false_a_year=sum(len(outcome.false) for outcome in outcomes) / max(years, 1e-9),
        strange=_counted(kind for outcome in outcomes for kind in outcome.strange),
        degraded=_counted(reason for forecast in said for reason in forecast.degraded),
    )


def _mean(values: Sequence[float]) -> float:
    return float(np.mean(values)) if values else float("nan")


def _median(values: Sequence[float]) -> float:
    return float(np.median(values)) if values else float("nan")


def _counted(names: Any) -> dict[str, int]:
    return dict(sorted(Counter(names).items(), key=lambda item: (-item[1], item[0])))


def _interval(outcomes: Sequence[ZooOutcome]) -> tuple[float, float]:
    """95 % interval of the coverage by resampling whole outages; of one outage everything is possible."""
    counts = np.array([[sum(map(holds, o.forecasts)), len(o.forecasts)] for o in outcomes], dtype=np.float64)
    if len(outcomes) < 2 or not counts[:, 1].sum():
        return 0.0, 1.0
    return _resampled(counts, lambda drawn: drawn[:, :, 0].sum(axis=1) / np.maximum(drawn[:, :, 1].sum(axis=1), 1.0))


def _resampled(counts: Array, statistic: Callable[[Array], Array]) -> tuple[float, float]:
    rng = np.random.default_rng(7)
    drawn = counts[rng.integers(0, len(counts), size=(RESAMPLES, len(counts)))]
    low, high = np.quantile(statistic(drawn), [0.025, 0.975]).tolist()
    return float(low), float(high)
