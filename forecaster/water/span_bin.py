"""A span of pump energy as the filters take it, and how far it may stray from the pump's mean power over it."""

from __future__ import annotations

from dataclasses import dataclass

from forecaster.domain.times import HOUR_MS
from forecaster.water.cycle_noise import CycleNoise

METER_SPREAD = 0.003
"""Relative spread of any span's energy (common practice, no source)."""

LEAST_CATCHES = 0.3
"""Counting noise is never taken for less than that of this many catches: what is expected is itself a guess."""


@dataclass(slots=True)
class Bin:
    """A span being gathered: of whole cycles, or of windows where sampling is too coarse for cycles.

    lump_wh : float — variance of the energy over that energy, where runs are caught by chance [Wh]: what one sample of
        the running pump stands for, or less where most runs are caught
    ends_wh : float — how far energy cut off, or left in, at the ends of the span may stray [Wh]
    sudden_wh : float — as lump_wh, as far as a high count is to be told from a storm that begins, where that is more
        [Wh]
    """

    start_ms: int
    stop_ms: int
    energy_wh: float
    cycles: int
    lump_wh: float = 0.0
    ends_wh: float = 0.0
    sudden_wh: float = 0.0

    @property
    def span_h(self) -> float:
        """Length of the span [h]."""
        return (self.stop_ms - self.start_ms) / HOUR_MS

    @property
    def mean_w(self) -> float:
        """Mean power over the span [W]."""
        return self.energy_wh / self.span_h

    @property
    def whole_cycles(self) -> bool:
        """Whether the span begins and ends with a cycle, so that nothing but the noise of cycles is left."""
        return self.lump_wh <= 0.0 and self.ends_wh <= 0.0

    @property
    def first_w(self) -> float:
        """Mean power to start from [W]: where nothing was caught, half a catch."""
        return max(self.energy_wh, 0.5 * (self.lump_wh + self.ends_wh)) / self.span_h

    def joined(self, other: Bin) -> Bin:
        """One span of this one and the next, which follows without a gap: what was cut between them is whole again."""
        return Bin(
            self.start_ms,
            other.stop_ms,
            self.energy_wh + other.energy_wh,
            self.cycles + other.cycles,
            max(self.lump_wh, other.lump_wh),
            max(self.ends_wh, other.ends_wh),
            max(self.sudden_wh, other.sudden_wh),
        )

    @property
    def most_wh(self) -> float:
        """Variance of the energy over that energy, as far as a high count is to be told from a storm [Wh]."""
        return max(self.lump_wh, self.sudden_wh)

    def variances_w2(self, noise: CycleNoise, level_w: float, running_w: float) -> tuple[float, float]:
        """Variance of the mean power [W²], its own and as far as a high count is to be told from a storm.

        level_w : float — what was expected [W]

        Samples a time dt apart catch a run that is shorter than dt by chance, and each catch counts running power
        times dt. The count is then binomial, below Poisson: its energy has a variance of at most such a catch times the
        energy expected, or of less, as `Catches` finds. What was caught must not set its own weight, or the filters
        lean to low counts.
        """
        floor = (1e-4 * running_w) ** 2
        if self.whole_cycles:
            own = self.mean_w**2 * (noise.variance(self.cycles) + METER_SPREAD**2) + floor
            return own, own
        expected_wh = max(level_w * self.span_h, LEAST_CATCHES * self.most_wh)
        rest = (self.ends_wh / self.span_h) ** 2 + (METER_SPREAD * level_w) ** 2 + floor
        own, sudden = (lump_wh * expected_wh / self.span_h**2 + rest for lump_wh in (self.lump_wh, self.most_wh))
        return own, sudden
