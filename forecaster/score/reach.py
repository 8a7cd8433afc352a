"""What a forecaster reaches, with intervals: figures and the way of its announced end, outages resampled whole."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.stats import bootstrap

from forecaster.maths.arrays import Array
from forecaster.score.coherence import ways
from forecaster.score.figures import Figures, array_of, figures, is_late, loss, meets
from forecaster.score.metrics import coverage, relative_error
from forecaster.score.rolling import ORACLE, Scored

RESAMPLES = 400

Interval = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Reach:
    """What one forecaster reaches.

    way : float | None — way of its announced end over the oracle's; None without an oracle
    intervals : 95 % bootstrap intervals by the names of the figures, and "way"; empty below three outages
    """

    figures: Figures
    way: float | None
    intervals: dict[str, Interval]


def reach(rows: Sequence[Scored], forecaster: str) -> Reach:
    """What a forecaster reaches over some scored forecasts, of which at least one is its own."""
    own = [row for row in rows if row.forecaster == forecaster]
    oracle = {(row.case, row.percent): row for row in rows if row.forecaster == ORACLE}
    pairs = np.asarray(list(ways(rows, forecaster).values())).reshape(-1, 2)
    spans = intervals(own, oracle)
    if spans and pairs.shape[0] > 2:
        spans["way"] = _interval(pairs.shape[0], lambda index: _over(pairs[index]))
    return Reach(figures(own, oracle), _over(pairs) if pairs.size else None, spans)


def _over(pairs: Array) -> float:
    """Sum of the first column over that of the second."""
    return float(pairs[:, 0].sum() / max(pairs[:, 1].sum(), 1e-12))


def intervals(rows: Sequence[Scored], oracle: dict[tuple[str, float], Scored]) -> dict[str, Interval]:
    """95 % percentile bootstrap intervals of a forecaster's figures, outages drawn whole."""
    clusters: dict[str, list[Scored]] = defaultdict(list)
    for row in rows:
        clusters[row.case].append(row)
    if len(clusters) < 3:
        return {}
    tables = [_table(group, oracle) for group in clusters.values()]

    def of(column: Callable[[Array], float]) -> Interval:
        return _interval(len(tables), lambda index: column(np.concatenate([tables[int(k)] for k in index])))

    found = {
        "median_error": of(lambda t: _known(np.nanmedian, t[:, 0])),
        "coverage": of(lambda t: float(t[:, 1].mean())),
        "alpha_lambda": of(lambda t: _known(np.nanmean, t[:, 4])),
    }
    if oracle:
        found["over_oracle"] = of(lambda t: _over(t[:, 2:4]))
    return found


def _known(of: Callable[[Array], float], values: Array) -> float:
    """A figure of the values that are not NaN, 0 where all are."""
    return float(of(values)) if np.isfinite(values).any() else 0.0


def _interval(count: int, statistic: Callable[[Array], float]) -> Interval:
    """95 % interval of a statistic of the indices of so many outages."""
    found = bootstrap(
        (np.arange(count),), statistic, n_resamples=RESAMPLES, method="percentile", vectorized=False,
        rng=np.random.default_rng(7),
    ).confidence_interval  # fmt: skip
    return float(found.low), float(found.high)


def _table(rows: Sequence[Scored], oracle: dict[tuple[str, float], Scored]) -> Array:
    """For each row: relative error (NaN: unknown), coverage, scaled pinball loss, the oracle's, and whether it meets
    alpha-lambda (NaN: not asked of it); shape (n, 5)."""
    table = []
    for row in rows:
        error = relative_error(array_of(row), row.outcome)
        best = oracle.get((row.case, row.percent), row)
        table.append((
            np.nan if error is None else error,
            coverage(array_of(row), row.outcome)[0],
            loss(row),
            loss(best),
            meets(row) if is_late(row) else np.nan,
        ))  # fmt: skip
    return np.asarray(table, dtype=np.float64)
