"""The report: figures of each forecaster over all origins, by charge, by sampling style, with intervals by outage."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from scipy.stats import bootstrap

from forecaster.domain.forecast import LEVELS
from forecaster.maths.arrays import Array
from forecaster.score.cases import HEADLINE_PERCENT
from forecaster.score.coherence import Coherence, coherence
from forecaster.score.gap import Gaps, gaps
from forecaster.score.metrics import coverage, crps_quantiles, mean_pinball, pit, relative_error, sample
from forecaster.score.prognostics import (
    Prediction,
    cumulative_remaining_accuracy,
    prognostic_horizon,
    within,
)
from forecaster.score.rolling import ENGINE, ORACLE, Scored

ALPHA, BETA, FROM_HALF = 0.1, 0.5, 50.0
PIT_BINS = 10
RESAMPLES = 400

Interval = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Figures:
    """Figures of one forecaster over some forecasts. The scale is `Scored.scale_h`, fixed before the outcome.

    forecasts, outages, censored : int — how many; censored forecasts are those that the mains' return met first
    median_error, p90_error : float | None — median and 90 % point of the relative error, as shares; None without any
    pinball_h, crps_h : float — mean quantile loss and CRPS [h], censored outcomes with the loss that is certain
    pinball : float — mean of the quantile loss over the scale, so that every outage weighs the same
    over_oracle : float | None — pinball over the oracle's at the same origins; None where one lacks an oracle, or the
        oracle lost nothing
    coverage, coverage_low, coverage_high : float — of the 10-90 % range, 0..1: expected, and the least and greatest
    that the censored outcomes leave open
    width : float — mean width of the 10-90 % range over the scale
    alpha_lambda : float | None — share of uncensored origins at half charge or less that meet alpha 0.1, beta 0.5
    (Saxena et al. 2010)
    pit : (10,) — histogram of the probability integral transform over 0..1, as shares
    """

    forecasts: int
    outages: int
    censored: int
    median_error: float | None
    p90_error: float | None
    pinball_h: float
    crps_h: float
    pinball: float
    over_oracle: float | None
    coverage: float
    coverage_low: float
    coverage_high: float
    width: float
    alpha_lambda: float | None
    pit: tuple[float, ...]


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

    def document(self) -> dict[str, Any]:
        """The report as nested dictionaries, for JSON."""
        return asdict(self)


def _array(row: Scored) -> Array:
    return np.asarray(row.quantiles)


def figures(rows: Sequence[Scored], oracle: dict[tuple[str, float], Scored]) -> Figures:
    """Figures of one forecaster's rows, at least one; oracle : (outage, charge [%]) -> the oracle's row there."""
    rng = np.random.default_rng(0)
    errors = [e for row in rows if (e := relative_error(_array(row), row.outcome)) is not None]
    pinballs = np.array([mean_pinball(_array(row), row.outcome) for row in rows])
    scales = np.array([row.scale_h for row in rows])
    held = np.array([coverage(_array(row), row.outcome) for row in rows])
    pits = [pit(_array(row), row.outcome, rng.random()) for row in rows]
    low, high = LEVELS.index(0.1), LEVELS.index(0.9)
    late = [row for row in rows if row.percent <= FROM_HALF and not row.outcome.censored]
    best = [oracle[row.case, row.percent] for row in rows if (row.case, row.percent) in oracle]
    base = np.array([mean_pinball(_array(row), row.outcome) / row.scale_h for row in best])
    oracles = float(base.mean()) if len(best) == len(rows) else 0.0
    return Figures(
        forecasts=len(rows),
        outages=len({row.case for row in rows}),
        censored=sum(row.outcome.censored for row in rows),
        median_error=float(np.median(errors)) if errors else None,
        p90_error=float(np.quantile(errors, 0.9)) if errors else None,
        pinball_h=float(pinballs.mean()),
        crps_h=float(np.mean([crps_quantiles(_array(row), row.outcome) for row in rows])),
        pinball=float((pinballs / scales).mean()),
        over_oracle=float((pinballs / scales).mean()) / oracles if oracles > 0.0 else None,
        coverage=float(held[:, 0].mean()),
        coverage_low=float(held[:, 1].mean()),
        coverage_high=float(held[:, 2].mean()),
        width=float(np.mean([(row.quantiles[high] - row.quantiles[low]) / row.scale_h for row in rows])),
        alpha_lambda=float(np.mean([_meets(row) for row in late])) if late else None,
        pit=tuple((np.histogram(pits, bins=PIT_BINS, range=(0.0, 1.0))[0] / len(rows)).tolist()),
    )


def _prediction(row: Scored, at_h: float) -> Prediction:
    return Prediction(at_h, at_h + sample(_array(row)))


def _meets(row: Scored) -> bool:
    return within(_prediction(row, 0.0), row.outcome.hours, ALPHA) >= BETA


def report(rows: Sequence[Scored]) -> ScoreReport:
    """The report over scored forecasts; where none is at HEADLINE_PERCENT, all of them make the headline."""
    headline = [row for row in rows if row.percent in HEADLINE_PERCENT] or list(rows)
    oracle = {(row.case, row.percent): row for row in rows if row.forecaster == ORACLE}
    engine = [row for row in rows if row.forecaster == ENGINE]
    horizons, accuracies = _by_outage(engine)
    return ScoreReport(
        outages=len({row.case for row in rows}),
        headline=_each(headline, oracle),
        intervals=_intervals([row for row in headline if row.forecaster == ENGINE], oracle),
        by_percent=_split(rows, lambda row: f"{row.percent:.0f}", oracle),
        by_group=_split(headline, lambda row: row.group, oracle),
        by_quarter={name: group[ENGINE] for name, group in _split(engine, _quarter, oracle).items()},
        horizon_share=float(np.mean(horizons)) if horizons else None,
        accuracy=float(np.mean(accuracies)) if accuracies else None,
        degraded=_reasons(engine),
        coherence=coherence(headline),
        gaps=gaps(rows),
    )


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
        predictions = [_prediction(row, longest - row.outcome.hours) for row in group]
        horizons.append((prognostic_horizon(predictions, longest, ALPHA, BETA) or 0.0) / longest)
        accuracies.append(cumulative_remaining_accuracy(predictions, longest))
    return horizons, accuracies


def _intervals(rows: Sequence[Scored], oracle: dict[tuple[str, float], Scored]) -> dict[str, Interval]:
    """95 % percentile bootstrap intervals of the engine's figures, outages drawn whole."""
    clusters: dict[str, list[Scored]] = defaultdict(list)
    for row in rows:
        clusters[row.case].append(row)
    if len(clusters) < 3:
        return {}
    tables = [_table(group, oracle) for group in clusters.values()]

    def of(column: Callable[[Array], float]) -> Interval:
        def statistic(index: Array) -> float:
            return column(np.concatenate([tables[int(k)] for k in index]))

        found = bootstrap(
            (np.arange(len(tables)),), statistic, n_resamples=RESAMPLES, method="percentile", vectorized=False,
            rng=np.random.default_rng(7),
        ).confidence_interval  # fmt: skip
        return float(found.low), float(found.high)

    intervals = {
        "median_error": of(lambda t: float(np.nanmedian(t[:, 0])) if np.isfinite(t[:, 0]).any() else 0.0),
        "coverage": of(lambda t: float(t[:, 1].mean())),
    }
    if oracle:
        intervals["over_oracle"] = of(lambda t: float(t[:, 2].sum() / max(t[:, 3].sum(), 1e-12)))
    return intervals


def _table(rows: Sequence[Scored], oracle: dict[tuple[str, float], Scored]) -> Array:
    """For each row: relative error (NaN: unknown), coverage, scaled pinball loss, the oracle's; shape (n, 4)."""
    table = []
    for row in rows:
        error = relative_error(_array(row), row.outcome)
        best = oracle.get((row.case, row.percent), row)
        table.append((
            np.nan if error is None else error,
            coverage(_array(row), row.outcome)[0],
            mean_pinball(_array(row), row.outcome) / row.scale_h,
            mean_pinball(_array(best), best.outcome) / best.scale_h,
        ))  # fmt: skip
    return np.asarray(table, dtype=np.float64)
