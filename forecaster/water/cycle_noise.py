"""How far one cycle's energy and timing stray: what a float's slop and coarse sampling leave to chance.

The rate told by cycle i is r_i = energy / length over its mean. Two kinds of error make it stray: at the ends of a
cycle (where the float trips, when the sample was taken), which the next cycle gives back, and within it, which it does
not. With end variance u and inner variance c, of differences d_i = r_i - r_{i-1},

    E d_i^2 = 6 u + 2 c,    E d_i d_{i-1} = -(4 u + c)

so u = -(V + 2 A)/2 and c = (V - 6 u)/2. Summed over n cycles the relative variance of the rate is 2 u/n^2 + c/n.
Source: variances of a first-order moving average with unit root (Box & Jenkins, ch. 3), solved here.
"""

from __future__ import annotations

from dataclasses import dataclass

PRIOR_END = 0.03**2
PRIOR_INNER = 0.02**2
PRIOR_COUNT = 6.0
MEMORY = 200.0
"""Cycles over which the moments are averaged."""

LARGEST = 0.5
"""Differences are cut to this size: a storm is not noise."""


@dataclass(slots=True)
class CycleNoise:
    """Running moments of successive cycles' rates; update, then read."""

    square: float = 6.0 * PRIOR_END + 2.0 * PRIOR_INNER
    product: float = -(4.0 * PRIOR_END + PRIOR_INNER)
    count: float = PRIOR_COUNT
    last_rate: float | None = None
    last_difference: float | None = None

    def update(self, rate: float) -> None:
        """Take in the mean power over one cycle [W]."""
        if self.last_rate is not None and self.last_rate + rate > 0.0:
            difference = 2.0 * (rate - self.last_rate) / (rate + self.last_rate)
            difference = min(LARGEST, max(-LARGEST, difference))
            if self.last_difference is not None:
                self.count = min(self.count + 1.0, MEMORY)
                self.square += (difference**2 - self.square) / self.count
                self.product += (difference * self.last_difference - self.product) / self.count
            self.last_difference = difference
        self.last_rate = rate

    def interrupt(self) -> None:
        """A gap: the next cycle is no neighbour of the last."""
        self.last_rate = self.last_difference = None

    @property
    def end(self) -> float:
        """Relative variance at each end of a cycle, 0.."""
        return min(max(0.0, -(self.square + 2.0 * self.product) / 2.0), self.square / 6.0)

    @property
    def inner(self) -> float:
        """Relative variance within a cycle, 0.."""
        return max(0.0, (self.square - 6.0 * self.end) / 2.0)

    def variance(self, cycles: float) -> float:
        """Relative variance of the rate told by `cycles` whole cycles."""
        return 2.0 * self.end / cycles**2 + self.inner / cycles
