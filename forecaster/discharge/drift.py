"""Whether the cycles drifted: whether the inflow rose or fell during the rehearsal by more than chance explains."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from forecaster.domain.runs import Run

LEAST_CYCLES = 8
"""With fewer cycles no drift is reported."""

DRIFTED = 0.05
"""A p-value below this counts as a drift."""


def trend_p_value(values: Sequence[float]) -> float | None:
    """Chance of a trend this strong by accident, two-sided, by Kendall's tau against order (Mann 1945)."""
    if len(values) < LEAST_CYCLES or float(np.ptp(np.asarray(values))) == 0.0:
        return None
    from scipy.stats import kendalltau  # 40 MB, only once a discharge test is judged

    return float(kendalltau(np.arange(len(values)), np.asarray(values)).pvalue)


def drift_p_value(runs: Sequence[Run]) -> float | None:
    """Chance of waits or run lengths drifting this much by accident, twice the lesser of both (Bonferroni)."""
    waits = [float(b.start_ms - a.start_ms) for a, b in pairwise(runs)]
    lengths = [run.run_s for run in runs if run.measured]
    found = [p for p in (trend_p_value(waits), trend_p_value(lengths)) if p is not None]
    return min(1.0, len(found) * min(found)) if found else None
