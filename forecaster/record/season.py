"""Season and rain: how a day's inflow depends on the time of year, learnt from the site's own days and a prior.

The model is a negative-binomial GLM of drawdowns a day with harmonics of the year (Hilbe, *Negative Binomial
Regression*) and a normal prior on its coefficients. What a record of a few months cannot tell is left to the prior: the
unseen part of the year keeps a wide range, and even a pit that was wet for a single week can be fitted.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import statsmodels.api as sm

from forecaster.maths.arrays import Array
from forecaster.water.seasonal import PRIOR_SPREAD, SeasonBelief, season_columns

LEAST_DAYS = 21
"""Days on record that a season needs at least."""

LEAST_RAINY = 15
"""Days with rain that the effect of rain needs at least."""

RAIN_KEEPS = 0.8
"""What is left of a day's rain the day after, in the antecedent index. Common practice: 0.8 to 0.98; no source."""

RAIN_SPREAD = 1.0
"""Prior standard deviation of the effect of 10 mm, as a natural logarithm. This project's own guess."""

ROUNDS = 6
MOST_FOLLOWING = 0.95


@dataclass(frozen=True, slots=True)
class CountFit:
    """A fitted negative-binomial GLM with K coefficients, of which the first is the logarithm of the level.

    mean : (K,), covariance : (K, K) — of the coefficients, allowing for days that resemble the day before
    spread : float — dispersion: the variance of a count of mean m is m + spread m²
    """

    mean: Array
    covariance: Array
    spread: float


@dataclass(frozen=True, slots=True)
class RainEffect:
    """What 10 mm of rain do. same_day : factor on the same day's inflow, 10, 50 and 90 % points."""

    same_day: tuple[float, float, float]


def season_of(day: Array, share: Array, per_day: float) -> SeasonBelief | None:
    """The season by a site's days; None with too few.

    day : (N,) — days since 1970; share : (N,) — inflow as a share of what the pump of today lifts
    per_day : float — drawdowns that it would lift in a day
    """
    if day.size < LEAST_DAYS or float(share.sum()) <= 0.0:
        return None
    fit = count_fit(day, season_columns(day), share * per_day, PRIOR_SPREAD)
    root = np.asarray(np.linalg.cholesky(fit.covariance), dtype=np.float64)
    return SeasonBelief(fit.mean, root, fit.spread, per_day)


def count_fit(day: Array, columns: Array, count: Array, prior_spread: Array) -> CountFit:
    """Fit the count of drawdowns a day; coefficients and dispersion (by moments) are estimated in turns.

    day : (N,) — days since 1970; columns : (N, K) — regressors, the first a constant; count : (N,) — drawdowns a day
    prior_spread : (K,) — prior deviation: of the level about the logarithm of the mean count, of the others about zero
    """
    first = np.zeros(columns.shape[1])
    first[0] = np.log(float(count.mean()))
    coefficients, spread, inflation = np.zeros(first.size), 0.1, 1.0
    for _ in range(ROUNDS):
        family = sm.families.NegativeBinomial(alpha=spread)
        model = sm.GLM(count, columns, family=family, offset=np.full(count.size, first[0]))
        penalty = inflation / (prior_spread**2 * count.size)
        fitted = model.fit_regularized(alpha=penalty, L1_wt=0.0, start_params=coefficients)
        coefficients = np.asarray(fitted.params)
        expected = np.exp(columns @ (coefficients + first))
        spread = float(np.clip(np.mean((count - expected) ** 2 - expected) / np.mean(expected**2), 1e-3, 10.0))
        inflation = _inflation(day, (count - expected) / np.sqrt(expected + spread * expected**2))
    weight = expected / (1.0 + spread * expected) / inflation
    precision = (columns.T * weight) @ columns + np.diag(prior_spread**-2.0)
    covariance = np.asarray(np.linalg.inv(precision), dtype=np.float64)
    return CountFit(coefficients + first, covariance, spread)


def _inflation(day: Array, strays: Array) -> float:
    """Factor, at least 1, by which the coefficients' variance grows: consecutive days stray from the fit alike."""
    next_day = np.diff(day) < 1.5
    if next_day.sum() < 10:
        return 1.0
    before, after = strays[:-1][next_day], strays[1:][next_day]
    both = float(np.sqrt(np.mean(before**2) * np.mean(after**2)))
    following = float(np.clip(np.mean(before * after) / both, 0.0, MOST_FOLLOWING)) if both > 0.0 else 0.0
    return max(1.0, float(np.mean(strays**2))) * (1.0 + following) / (1.0 - following)


def rain_effect(day: Array, share: Array, per_day: float, rain_mm: Array) -> RainEffect | None:
    """What rain does to the same day's inflow, season and earlier rain allowed for; None with too few (rainy) days.

    day, share, per_day : as for `season_of`; rain_mm : (N,) — rain of each day [mm], NaN where not known
    """
    known = np.isfinite(rain_mm)
    if known.sum() < 2 * LEAST_DAYS or (rain_mm[known] >= 1.0).sum() < LEAST_RAINY:
        return None
    wet = antecedent(np.nan_to_num(rain_mm))
    columns = np.column_stack([season_columns(day)[:, :3], rain_mm / 10.0, np.log1p(wet / 10.0)])[known]
    prior = np.concatenate([PRIOR_SPREAD[:3], [RAIN_SPREAD, RAIN_SPREAD]])
    fit = count_fit(day[known], columns, share[known] * per_day, prior)
    middle, error = float(fit.mean[3]), float(np.sqrt(fit.covariance[3, 3]))
    low, high = (float(np.exp(middle + sign * 1.2816 * error)) for sign in (-1.0, 1.0))
    return RainEffect((low, float(np.exp(middle)), high))


def antecedent(rain_mm: Array) -> Array:
    """Rain of the days before each day, (N,) [mm]; with each day that passes it counts RAIN_KEEPS times as much."""
    index = np.zeros(rain_mm.size)
    for place in range(1, rain_mm.size):
        index[place] = RAIN_KEEPS * (index[place - 1] + rain_mm[place - 1])
    return index
