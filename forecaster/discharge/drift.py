"""Whether the inflow rose or fell during the rehearsal by more than its usual wobble and chance explain.

The time that the pit takes to fill again is its volume over the inflow, whatever the pump does. The logarithm of the
inflow is taken as a straight line over time, the water's own wobble (which lasts for hours, so that cycles close
together are alike), and a chance of its own for each cycle. The line is fitted by generalised least squares (Aitken
1935), the size of each cycle's own chance by restricted maximum likelihood (Patterson & Thompson 1971).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy.linalg import cho_factor, cho_solve
from scipy.special import stdtr, stdtrit

from forecaster.domain.runs import Run
from forecaster.domain.times import HOUR_MS
from forecaster.maths.arrays import Array

LEAST_CYCLES = 8
"""With fewer cycles no drift is reported."""

DRIFTED = 0.03
"""A p-value below this counts as a drift: a little less than the one in twenty steady ones that may be told at most."""

WOBBLE, WOBBLE_H = 0.08, 2.0
"""The inflow's own wobble: its deviation as a share, and the time in which it is forgotten by a factor e [h]. Common
practice, no source."""

MOST_BLOCKS = 120
"""Cycles are averaged in blocks, so that a long rehearsal is quickly judged."""

OWN_CHANCE = np.geomspace(0.002, 2.0, 31)
"""Deviations of one cycle's own chance that are weighed, as a share."""

EIGHTY_PERCENT_Z = 0.8416
"""The 80 % point of the standard normal: how often the least change that would have shown does show."""


@dataclass(frozen=True, slots=True)
class Drift:
    """A trend of the inflow over the rehearsal, on a log scale.

    change, change_error : float — from the first cycle to the last, and its standard error
    p_value : float — chance of a trend this strong, up or down, in water that only wobbles
    least : float — the change that would have been told in four of five such rehearsals
    """

    change: float
    change_error: float
    p_value: float
    least: float

    @property
    def told(self) -> bool:
        """Whether it is more than chance explains."""
        return self.p_value < DRIFTED


def drift_of(runs: Sequence[Run]) -> Drift | None:
    """The drift of the inflow over the runs of a rehearsal, in order; None with too few cycles."""
    rests = [(before.stop_ms, after.start_ms) for before, after in pairwise(runs) if after.start_ms > before.stop_ms]
    if len(rests) < LEAST_CYCLES:
        return None
    edges_h = np.array(rests, dtype=np.float64) / HOUR_MS
    return drift_in(edges_h.mean(axis=1), -np.log(np.diff(edges_h, axis=1)[:, 0]))


def drift_in(at_h: Array, log_inflow: Array) -> Drift:
    """The drift in logarithms of the inflow, (N,) each, N at least LEAST_CYCLES. at_h : hours, rising."""
    each = math.ceil(at_h.size / MOST_BLOCKS)
    blocks = at_h.size // each
    hours = at_h[: blocks * each].reshape(blocks, each).mean(axis=1)
    values = log_inflow[: blocks * each].reshape(blocks, each).mean(axis=1)
    span_h = float(at_h[-1] - at_h[0])
    line = np.column_stack([np.ones(blocks), (hours - hours.mean()) / span_h])
    shared = WOBBLE**2 * np.exp(-np.abs(hours[:, None] - hours[None, :]) / WOBBLE_H)
    likeliest = max((_fit(line, values, shared, own**2 / each) for own in OWN_CHANCE.tolist()), key=lambda fit: fit[0])
    _, change, error, own_part = likeliest
    freedom = (blocks - 2) / own_part**2
    p_value = 2.0 * float(stdtr(freedom, -abs(change) / error))
    return Drift(change, error, p_value, error * (float(stdtrit(freedom, 1.0 - DRIFTED / 2.0)) + EIGHTY_PERCENT_Z))


def _fit(line: Array, values: Array, shared: Array, own: float) -> tuple[float, float, float, float]:
    """Restricted log-likelihood of one variance of each value's own; the slope, its standard error, and its own part.

    The own part is the share of the slope's variance that comes from each value's own chance: only that is estimated,
    the wobble is known, so that the degrees of freedom are more than the values (Satterthwaite 1946).
    """
    factor = cho_factor(shared + own * np.eye(values.size), lower=True)
    weighed = cho_solve(factor, line)
    precision = line.T @ weighed
    covariance = np.linalg.inv(precision)
    weights = covariance @ weighed.T
    means = weights @ values
    rest = values - line @ means
    log_size = 2.0 * float(np.log(np.diag(factor[0])).sum()) + float(np.linalg.slogdet(precision)[1])
    likelihood = -0.5 * (log_size + float(rest @ cho_solve(factor, rest)))
    variance = float(covariance[1, 1])
    return likelihood, float(means[1]), math.sqrt(variance), own * float(weights[1] @ weights[1]) / variance
