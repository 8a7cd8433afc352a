"""Regressions on a daily measure whose level wanders by itself: a random walk beneath errors that are correlated.

The local level model (Harvey 1989, Forecasting, Structural Time Series Models and the Kalman Filter, 2.3), fitted as
generalised least squares. A polynomial would do for a slow course as well, but it is freest at the end of the record,
which is where a new change has to be told from it; and a pump that wears in jumps follows none.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg import cholesky, solve_triangular

from forecaster.health.changes import SeriesErrors
from forecaster.maths.arrays import Array

WANDERS = (0.0, 0.0003, 0.001, 0.003)
"""How far a level may wander within a day, as standard deviations and shares of the usual value: not at all, or by
0.6, 2 and 6 % in a year."""


@dataclass(frozen=True, slots=True)
class Whitened:
    """Columns whose errors are of unit variance and unlike each other.

    columns : (N, K); log_scale : float — what the change of scale adds to a log likelihood
    """

    columns: Array
    log_scale: float

    @classmethod
    def by(cls, columns: Array, day: Array, errors: SeriesErrors, a_day: float) -> Whitened:
        """Columns, (N, K), on days, (N,), with some errors and a level that wanders by so much a day, see WANDERS."""
        apart = np.maximum(np.abs(day[:, None] - day), 1.0 - np.eye(day.size))
        alike = errors.rho**apart * np.outer(errors.deviation, errors.deviation)
        since = day - day[0]
        factor = cholesky(alike + a_day**2 * np.minimum(since[:, None], since), lower=True, check_finite=False)
        white = solve_triangular(factor, columns, lower=True, check_finite=False)
        return cls(np.asarray(white, dtype=np.float64), -float(np.log(np.diag(factor)).sum()))
