"""What the season lets expect of a day's inflow: learnt from the long record, read here without its libraries."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.special import gammaincinv, ndtr

from forecaster.domain.times import DAY_MS, YEAR_DAYS
from forecaster.maths.arrays import Array
from forecaster.maths.noise import normals

COLUMNS = 5
"""A level, and the cosine and sine of one and of two turns a year."""

PRIOR_SPREAD = np.array([3.0, 0.5, 0.5, 0.2, 0.2])
"""Spread of each of them, natural logarithm, before anything was measured: wet months bring about 1.6 times the mean.
This project's own guess."""

BETWEEN_YEARS = 0.25
"""Spread of a season from year to year, natural logarithm. This project's own guess."""


def season_columns(day: Array) -> Array:
    """The columns of the season for days since 1970, (N, COLUMNS)."""
    turn = 2.0 * np.pi * np.asarray(day) / YEAR_DAYS
    parts = [np.ones_like(turn), np.cos(turn), np.sin(turn), np.cos(2.0 * turn), np.sin(2.0 * turn)]
    return np.column_stack(parts)


@dataclass(frozen=True, slots=True)
class SeasonBelief:
    """The mean inflow of a day as exp(columns · coefficients), and how single days stray from it.

    mean : (COLUMNS,); root : (COLUMNS, COLUMNS) — a root of its covariance, times standard normal numbers
    spread : float — a day varies by spread · mean² besides its count (negative binomial)
    per_day : float — drawdowns that the pump of today would lift in a day
    """

    mean: Array
    root: Array
    spread: float
    per_day: float

    def levels(self, day: Array, parts: Array, years: Array) -> Array:
        """Mean inflow on days since 1970 as a share of what the pump lifts today, (K, N).

        parts : (K, COLUMNS), years : (K,) — standard normal numbers of each draw
        """
        coefficients = self.mean[None, :] + parts @ self.root.T
        log_level = coefficients @ season_columns(day).T + BETWEEN_YEARS * years[:, None]
        return np.asarray(np.exp(np.clip(log_level, -20.0, 12.0)) / self.per_day, dtype=np.float64)

    def days_within(self, day: Array, draws: int = 200, seed: int = 23) -> Array:
        """10, 50 and 90 % points of single days' inflow as a share of what the pump lifts today, (3, N).

        The count and its spread are taken together as a gamma distribution of the same mean and variance.
        """
        drawn = normals(seed, draws, COLUMNS + 2)
        count = self.per_day * self.levels(day, drawn[:, :COLUMNS], drawn[:, COLUMNS])
        shape = 1.0 / (self.spread + 1.0 / np.maximum(count, 1e-6))
        water = count * gammaincinv(shape, ndtr(drawn[:, COLUMNS + 1])[:, None]) / shape
        return np.asarray(np.quantile(water / self.per_day, (0.1, 0.5, 0.9), axis=0), dtype=np.float64)

    def document(self) -> dict[str, Any]:
        """As the study keeps it."""
        return {
            "mean": self.mean.tolist(), "root": self.root.tolist(), "spread": self.spread, "per_day": self.per_day,
        }  # fmt: skip

    @staticmethod
    def of(document: Mapping[str, Any]) -> SeasonBelief:
        """From what the study keeps."""
        mean, root = np.asarray(document["mean"]), np.asarray(document["root"])
        return SeasonBelief(mean, root, float(document["spread"]), float(document["per_day"]))


@dataclass(frozen=True, slots=True)
class SeasonStudy:
    """The season as a study of the long record left it. made_ms : int — when [UTC ms]"""

    made_ms: int
    belief: SeasonBelief

    def document(self) -> dict[str, Any]:
        """As a snapshot keeps it."""
        return {"made_ms": self.made_ms, **self.belief.document()}

    @staticmethod
    def of(document: Mapping[str, Any]) -> SeasonStudy:
        """From what a snapshot keeps."""
        return SeasonStudy(int(document["made_ms"]), SeasonBelief.of(document))


def day_of(at_ms: int) -> float:
    """A time as days since 1970."""
    return at_ms / DAY_MS
