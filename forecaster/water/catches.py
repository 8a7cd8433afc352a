"""How far the energy of caught runs strays: less than by chance alone, where most runs are caught.

A run of 8 s that is sampled every 10 s is caught eight times in ten. The number caught of n runs is binomial with a
variance of n p (1 - p), a fifth of what rare, independent catches have (Poisson, n p). Nobody tells p, so the
dispersion, variance over that of Poisson, is estimated from neighbouring windows as Pearson's statistic over its
degrees of freedom (McCullagh, Nelder 1989, Generalized Linear Models, 2nd ed., sec. 4.5.2). What the ends of two
neighbours cut, and water that changes between them, count as dispersion too, so it is rather over- than understated.
"""

from __future__ import annotations

from dataclasses import dataclass

from forecaster.domain.times import HOUR_MS
from forecaster.segment.seldom import SELDOM_S

PRIOR_COUNT = 4.0
"""So many pairs of windows count for a dispersion of 1 before any was seen."""

MEMORY = 100.0
"""Pairs of windows over which it is averaged."""

LARGEST = 6.0
"""A pair's statistic is cut to this: a storm is not noise. One pair in 70 is beyond it by chance."""

LEAST, MOST = 0.1, 1.0
"""Limits of the dispersion: what lasts for longer than two windows is not seen in neighbours."""

SUDDEN = 0.85
"""A storm that begins is told from a high count by no less a dispersion: where samples and the pump's cycle
keep step for hours, neighbours stray alike, so a count may be high for long without more water. (Tuned, seeds 0 to 10.)
"""


@dataclass(slots=True)
class Catches:
    """Dispersion of the energy caught in successive windows; take, then read.

    mean, count : float — mean of the pairs' statistics, and how many it counts for
    last_wh, last_h : float — energy [Wh] and length [h] of the last window; last_ms : int — its end [UTC ms]
    """

    mean: float = 1.0
    count: float = PRIOR_COUNT
    last_wh: float = 0.0
    last_h: float = 0.0
    last_ms: int = -1

    def take(self, start_ms: int, stop_ms: int, energy_wh: float, lump_wh: float, running_w: float) -> float:
        """Take in a window; returns the variance of its energy over that energy [Wh].

        lump_wh : float — energy that one sample of the running pump stands for [Wh]; 0: the window caught nothing by
            chance. Samples so far apart that they miss the usual run catch in clumps, which neighbours do not show
        running_w : float — power while running [W]
        """
        if not 0.0 < lump_wh < running_w * SELDOM_S / 3600.0:
            return lump_wh
        self._update(start_ms, stop_ms, energy_wh, lump_wh)
        return lump_wh * self.dispersion

    def _update(self, start_ms: int, stop_ms: int, energy_wh: float, lump_wh: float) -> None:
        hours = (stop_ms - start_ms) / HOUR_MS
        both_wh = self.last_wh + energy_wh
        if self.last_ms == start_ms and both_wh > 0.0:
            before_wh, now_wh = (both_wh * part / (self.last_h + hours) for part in (self.last_h, hours))
            square = (energy_wh - now_wh) ** 2 * (1.0 / before_wh + 1.0 / now_wh) / lump_wh
            self.count = min(self.count + 1.0, MEMORY)
            self.mean += (min(square, LARGEST) - self.mean) / self.count
        self.last_wh, self.last_h, self.last_ms = energy_wh, hours, stop_ms

    @property
    def dispersion(self) -> float:
        """Variance of the energy caught over that of rare, independent catches, 0.1..1."""
        return min(max(self.mean, LEAST), MOST)
