"""The report: figures of each forecaster over all origins, by charge, by sampling style, with intervals by outage."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from forecaster.score.bound.bound import BOUND
from forecaster.score.cases import HEADLINE_PERCENT
from forecaster.score.coherence import Coherence, coherence
from forecaster.score.figures import ALPHA, BETA, Figures, figures, prediction
from forecaster.score.gap import Gaps, gaps
from forecaster.score.prognostics import cumulative_remaining_accuracy, prognostic_horizon
from forecaster.score.reach import Interval, Reach, intervals, reach
from forecaster.score.rolling import ENGINE, ORACLE, Scored


@dataclass(frozen=True, slots=True)
class ScoreReport:
    """The whole report. Figures stand under the forecaster's name.

    headline, by_group : at the charges HEADLINE_PERCENT, all together and by sampling style
    intervals : 95 % bootstrap intervals of the engine's headline figures, outages resampled; empty below three outages
    by_percent : by charge; by_quarter : the engine's alone, by quarter of charge, as "75-100 %"
    horizon_share : float | None — the engine's prognostic horizon over the outage's length, mean over outages, 0..1
    accuracy : float | None — the engine's cumulative relative accuracy of the time left, mean over outages
    degraded : reason -> engine's forecasts that gave it
    coherence : over HEADLINE_PERCENT; None where no outage has two forecasts
    gaps : how the gap to the oracle splits; None where the bound was not asked
    reach : what oracle, bound and engine reach, by name; empty where the bound was not asked
    """

    outages: int
    headline: dict[str, Figures]
    intervals: dict[str, Interval]
    by_percent: dict[str, dict[str, Figures]]
    by_group: dict[str, dict[str, Figures]]
    by_quarter: dict[str, Figures]
    horizon_share: float | None
    accuracy: float | None
    degraded: dict[str, int]
    coherence: Coherence | None
    gaps: Gaps | None
    reach: dict[str, Reach]

    def document(self) -> dict[str, Any]:
        """The report as nested dictionaries, for JSON."""
        return asdict(self)


def report(rows: Sequence[Scored]) -> ScoreReport:
    """The report over scored forecasts; where none is at HEADLINE_PERCENT, all of them make the headline."""
    headline = [row for row in rows if row.percent in HEADLINE_PERCENT] or list(rows)
    oracle = {(row.case, row.percent): row for row in rows if row.forecaster == ORACLE}
    engine = [row for row in rows if row.forecaster == ENGINE]
    horizons, accuracies = _by_outage(engine)
    return ScoreReport(
        outages=len({row.case for row in rows}),
        headline=_each(headline, oracle),
        intervals=intervals([row for row in headline if row.forecaster == ENGINE], oracle),
        by_percent=_split(rows, lambda row: f"{row.percent:.0f}", oracle),
        by_group=_split(headline, lambda row: row.group, oracle),
        by_quarter={name: group[ENGINE] for name, group in _split(engine, _quarter, oracle).items()},
        horizon_share=float(np.mean(horizons)) if horizons else None,
        accuracy=float(np.mean(accuracies)) if accuracies else None,
        degraded=_reasons(engine),
        coherence=coherence(headline),
        gaps=gaps(rows),
        reach=_reach(headline),
    )


def _reach(headline: Sequence[Scored]) -> dict[str, Reach]:
    asked = any(row.forecaster == BOUND for row in headline)
    return {name: reach(headline, name) for name in (ORACLE, BOUND, ENGINE)} if asked else {}


def _quarter(row: Scored) -> str:
    """The quarter of charge that a row lies in, as "75-100 %"."""
    low = 25 * min(3, int(row.percent // 25))
    return f"{low}-{low + 25} %"


def _each(rows: Iterable[Scored], oracle: dict[tuple[str, float], Scored]) -> dict[str, Figures]:
    groups: dict[str, list[Scored]] = defaultdict(list)
    for row in rows:
        groups[row.forecaster].append(row)
    return {name: figures(group, oracle) for name, group in groups.items()}


def _split(
    rows: Iterable[Scored], key: Callable[[Scored], str], oracle: dict[tuple[str, float], Scored]
) -> dict[str, dict[str, Figures]]:
    groups: dict[str, list[Scored]] = defaultdict(list)
    for row in rows:
        groups[key(row)].append(row)
    return {name: _each(groups[name], oracle) for name in groups}


def _reasons(rows: Sequence[Scored]) -> dict[str, int]:
    count: dict[str, int] = defaultdict(int)
    for row in rows:
        for reason in row.degraded:
            count[reason] += 1
    return dict(count)


def _by_outage(rows: Sequence[Scored]) -> tuple[list[float], list[float]]:
    """For each outage that reached the floor: prognostic horizon over its length, and cumulative relative accuracy."""
    outages: dict[str, list[Scored]] = defaultdict(list)
    for row in rows:
        if not row.outcome.censored:
            outages[row.case].append(row)
    horizons, accuracies = [], []
    for group in outages.values():
        longest = max(row.outcome.hours for row in group)
        predictions = [prediction(row, longest - row.outcome.hours) for row in group]
        horizons.append((prognostic_horizon(predictions, longest, ALPHA, BETA) or 0.0) / longest)
        accuracies.append(cumulative_remaining_accuracy(predictions, longest))
    return horizons, accuracies
