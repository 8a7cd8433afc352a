"""Levels by their return periods: how often a value between or beyond them is exceeded."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from forecaster.maths.arrays import Array
from forecaster.record.peaks import PEAKS_A_YEAR, PeakDraws, five_digits

LEAST_YEARS = 2
"""Return periods that it takes to tell how often what lies between and beyond them comes."""


@dataclass(frozen=True, slots=True)
class LevelDraws:
    """Draws of the levels that are exceeded once in so many years.

    years : (C,) — return periods, rising, LEAST_YEARS at least; levels : (C, D) — their levels, rising along C
    record : PeakDraws | None — what a record tells of levels below those; None: nothing
    """

    years: Array
    levels: Array
    record: PeakDraws | None = None

    def yearly(self, level: Array) -> Array:
        """How often a year a level, (D,), is exceeded, (D,): its logarithm is straight between the levels.

        Beyond the rarest it falls as between the two rarest. Below the commonest it is what the record tells, but no
        rarer than the commonest; without a record it rises as between the two commonest, up to PEAKS_A_YEAR.
        """
        steps = np.maximum(np.diff(self.levels, axis=0), 1e-9)
        slopes = -np.diff(np.log(self.years))[:, None] / steps
        within = np.clip((level > self.levels).sum(axis=0) - 1, 0, slopes.shape[0] - 1)
        draws = np.arange(self.levels.shape[1])
        log_rate = -np.log(self.years)[within] + slopes[within, draws] * (level - self.levels[within, draws])
        rate = np.exp(np.minimum(log_rate, np.log(PEAKS_A_YEAR)))
        if self.record is not None:
            common = np.maximum(self.record.yearly(level), 1.0 / self.years[0])
            rate = np.where(level < self.levels[0], common, rate)
        return np.asarray(rate, dtype=np.float64)

    def document(self, most: int) -> dict[str, Any]:
        """About `most` of the draws, thinned evenly and rounded to five digits, as a study keeps them."""
        step = max(1, self.levels.shape[1] // most)
        return {"years": self.years.tolist(), "levels": [five_digits(column[::step]) for column in self.levels]}

    @staticmethod
    def of(document: Mapping[str, Any], record: PeakDraws | None) -> LevelDraws:
        """The draws from what a study keeps, on a record's."""
        years, levels = (np.asarray(document[name], dtype=np.float64) for name in ("years", "levels"))
        return LevelDraws(years, levels, record)
