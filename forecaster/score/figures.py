"""Figures of one forecaster over some scored forecasts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from forecaster.domain.forecast import LEVELS
from forecaster.maths.arrays import Array
from forecaster.score.metrics import coverage, crps_quantiles, mean_pinball, pit, relative_error, sample
from forecaster.score.prognostics import Prediction, within
from forecaster.score.rolling import Scored

ALPHA, BETA, FROM_HALF = 0.1, 0.5, 50.0
PIT_BINS = 10


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


def array_of(row: Scored) -> Array:
    """A row's quantiles, (7,) [h]."""
    return np.asarray(row.quantiles)


def loss(row: Scored) -> float:
    """The mean quantile loss of a row over its scale."""
    return mean_pinball(array_of(row), row.outcome) / row.scale_h


def is_late(row: Scored) -> bool:
    """Whether alpha-lambda is asked of a row: at half charge or less, its outcome not censored."""
    return row.percent <= FROM_HALF and not row.outcome.censored


def figures(rows: Sequence[Scored], oracle: dict[tuple[str, float], Scored]) -> Figures:
    """Figures of one forecaster's rows, at least one; oracle : (outage, charge [%]) -> the oracle's row there."""
    rng = np.random.default_rng(0)
    errors = [e for row in rows if (e := relative_error(array_of(row), row.outcome)) is not None]
    pinballs = np.array([mean_pinball(array_of(row), row.outcome) for row in rows])
    scales = np.array([row.scale_h for row in rows])
    held = np.array([coverage(array_of(row), row.outcome) for row in rows])
    pits = [pit(array_of(row), row.outcome, rng.random()) for row in rows]
    low, high = LEVELS.index(0.1), LEVELS.index(0.9)
    late = [row for row in rows if is_late(row)]
    best = [oracle[row.case, row.percent] for row in rows if (row.case, row.percent) in oracle]
    base = np.array([loss(row) for row in best])
    oracles = float(base.mean()) if len(best) == len(rows) else 0.0
    return Figures(
        forecasts=len(rows),
        outages=len({row.case for row in rows}),
        censored=sum(row.outcome.censored for row in rows),
        median_error=float(np.median(errors)) if errors else None,
        p90_error=float(np.quantile(errors, 0.9)) if errors else None,
        pinball_h=float(pinballs.mean()),
        crps_h=float(np.mean([crps_quantiles(array_of(row), row.outcome) for row in rows])),
        pinball=float((pinballs / scales).mean()),
        over_oracle=float((pinballs / scales).mean()) / oracles if oracles > 0.0 else None,
        coverage=float(held[:, 0].mean()),
        coverage_low=float(held[:, 1].mean()),
        coverage_high=float(held[:, 2].mean()),
        width=float(np.mean([(row.quantiles[high] - row.quantiles[low]) / row.scale_h for row in rows])),
        alpha_lambda=float(np.mean([meets(row) for row in late])) if late else None,
        pit=tuple((np.histogram(pits, bins=PIT_BINS, range=(0.0, 1.0))[0] / len(rows)).tolist()),
    )


def prediction(row: Scored, at_h: float) -> Prediction:
    """A row as a prediction that is made at a time [h]."""
    return Prediction(at_h, at_h + sample(array_of(row)))


def meets(row: Scored) -> bool:
    """Whether at least BETA of the forecast lies within ALPHA of the truth (Saxena et al. 2010)."""
    return within(prediction(row, 0.0), row.outcome.hours, ALPHA) >= BETA
