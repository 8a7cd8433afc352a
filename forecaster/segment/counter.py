"""The energy counter: what was used between two readings, with resets, wraps, jitter and jumps told apart,
and the runs that can be told from it.
"""

from __future__ import annotations

from enum import StrEnum

import msgspec

from forecaster.domain.times import HOUR_MS
from forecaster.segment.rhythm import Rhythm
from forecaster.segment.tracker import Draft

_WRAPS: tuple[float, ...] = tuple(
    sorted(
        {10.0**k for k in range(3, 10)}
        | {2.0**bits * step for bits in (16, 24, 31, 32) for step in (0.001, 0.01, 0.1, 1.0, 10.0, 100.0, 1000.0)}
    )
)
"""Values at which counters are known to start again [Wh]: decimal registers, and binary ones in usual steps."""

_JITTER_SHARE = 0.001
_LEAST_JITTER_WH = 0.05
_KEPT_GROUPS = 41
_COARSEST_WH, _SAME_STEP, _KEPT_REFUSED = 200.0, 0.01, 4
"""A counter's step is at most this coarse [Wh] (common practice, no source); two steps within this share of one another
are the same step; so many refused ones are remembered."""


class CounterStep(StrEnum):
    """What one reading of a counter was."""

    FIRST = "first"
    COUNTED = "counted"
    JITTER = "jitter"  # a small step back: held at the greatest value
    RESET = "reset"  # started again from zero
    WRAPPED = "wrapped"  # ran over the end of its register
    JUMPED = "jumped"  # more than the greatest power could use, or a step back to somewhere else: not counted


class EnergyCounter(msgspec.Struct):
    """The state of one energy counter [Wh].

    greatest_w : float — the greatest power that can have been used [W]
    resolution_wh : float | None — smallest step seen
    refused_wh : list[float] — the newest rises that were more than the greatest power could use; one that recurs is
        how coarse the counter is
    """

    rhythm: Rhythm
    greatest_w: float
    level_wh: float = 0.0
    odd_wh: float | None = None
    resolution_wh: float | None = None
    step: CounterStep = CounterStep.FIRST
    refused_wh: list[float] = msgspec.field(default_factory=list)
    rose_ms: int | None = None

    def feed(self, at_ms: int, value_wh: float) -> tuple[int | None, float | None]:
        """Take a reading newer than the last.

        Returns the interval [ms] and the energy used in it [Wh]; None for what is not known.
        """
        before = self.rhythm.last_ms
        interval = self.rhythm.heard(at_ms, value_wh)
        if interval is None or before is None:
            self.level_wh, self.step, self.rose_ms = value_wh, CounterStep.FIRST, at_ms
            return None, None
        delta = value_wh - self.level_wh
        most = self._most(interval)
        if 0.0 <= delta <= most or self._recurs(at_ms, delta):
            self.step, self.odd_wh = CounterStep.COUNTED, None
            self.level_wh = value_wh
            if delta > 0.0:
                self.rose_ms = at_ms
                if self.resolution_wh is None or delta < self.resolution_wh:
                    self.resolution_wh = max(delta, 1e-3)
            return interval, delta
        if delta < 0.0:
            return interval, self._back(value_wh, delta, most)
        return interval, self._odd(value_wh)

    def _most(self, interval_ms: int) -> float:
        """The most energy that can have been used in an interval [Wh], allowing for a step of the counter."""
        return self.greatest_w * interval_ms / HOUR_MS + 2.0 * (self.resolution_wh or 1.0)

    def _recurs(self, at_ms: int, delta: float) -> bool:
        """Whether a rise beyond the greatest power is a step of a coarse counter: one of its size came before, and the
        time since the last one is long enough for it.
        """
        if not 0.0 < delta <= _COARSEST_WH or delta > self.greatest_w * (at_ms - (self.rose_ms or 0)) / HOUR_MS:
            return False
        known = any(abs(delta - before) <= _SAME_STEP * delta for before in self.refused_wh)
        if not known:
            self.refused_wh = [*self.refused_wh[1 - _KEPT_REFUSED :], delta]
        return known

    def _back(self, value_wh: float, delta: float, most: float) -> float | None:
        if -delta <= max(_LEAST_JITTER_WH, 2.0 * (self.resolution_wh or 0.0), _JITTER_SHARE * most):
            self.step = CounterStep.JITTER
            return 0.0
        for end in _WRAPS:
            if self.level_wh <= end * (1.0 + 1e-9) and 0.0 <= value_wh + end - self.level_wh <= most:
                self.step, self.odd_wh = CounterStep.WRAPPED, None
                used = value_wh + end - self.level_wh
                self.level_wh = value_wh
                return used
        if value_wh <= most:
            self.step, self.odd_wh = CounterStep.RESET, None
            self.level_wh = value_wh
            return value_wh
        return self._odd(value_wh)

    def _odd(self, value_wh: float) -> float | None:
        """Handle a value that cannot follow from the last: a new level, believed once the next value continues it."""
        odd = self.odd_wh
        self.step = CounterStep.JUMPED
        if odd is not None and 0.0 <= value_wh - odd <= self._most(self.rhythm.gap_ms):
            self.level_wh, self.odd_wh = value_wh, None
        else:
            self.odd_wh = value_wh
        return None


class CounterRuns(msgspec.Struct):
    """Runs found in a counter: groups of intervals with energy between intervals without.

    quantum_wh : float | None — energy of one run, the median of groups that stood alone [Wh]
    """

    groups: list[float] = msgspec.field(default_factory=list)
    quantum_wh: float | None = None
    open_ms: int | None = None
    energy_wh: float = 0.0
    intervals: int = 0
    zeros: int = 0
    clean: bool = False
    group_end_ms: int = 0

    def countable(self, counter: EnergyCounter) -> bool:
        """Whether the counter is fine enough for runs to be told from it."""
        return (
            self.quantum_wh is not None
            and counter.resolution_wh is not None
            and counter.resolution_wh < 0.5 * self.quantum_wh
        )

    def feed(
        self, counter: EnergyCounter, at_ms: int, interval_ms: int | None, used_wh: float | None, running_w: float
    ) -> list[Draft]:
        """Take one interval. Returns the runs of a group that has ended, if the counter is fine enough for runs."""
        if interval_ms is None or used_wh is None or interval_ms > counter.rhythm.gap_ms:
            ended = self._end(counter, running_w)
            self.zeros, self.clean = 0, False
            return ended
        if used_wh > 0.0:
            if self.open_ms is None:
                self.open_ms, self.clean = at_ms - interval_ms, self.zeros > 0
                self.energy_wh, self.intervals = 0.0, 0
            self.energy_wh += used_wh
            self.intervals += 1
            self.group_end_ms = at_ms
            self.zeros = 0
            return []
        self.zeros += 1
        if self.open_ms is None:
            return []
        if self.clean and self.intervals <= 3:
            self._learn(self.energy_wh)
        return self._end(counter, running_w)

    def _learn(self, group_wh: float) -> None:
        self.groups.append(group_wh)
        if len(self.groups) > _KEPT_GROUPS:
            del self.groups[0]
        if len(self.groups) >= 3:
            self.quantum_wh = sorted(self.groups)[len(self.groups) // 2]

    def _end(self, counter: EnergyCounter, running_w: float) -> list[Draft]:
        start = self.open_ms
        if start is None:
            return []
        self.open_ms = None
        if not self.countable(counter) or self.quantum_wh is None or self.energy_wh < 0.3 * self.quantum_wh:
            return []
        runs = max(1, round(self.energy_wh / self.quantum_wh))
        each_ms = (self.group_end_ms - start) / runs
        each_wh = self.energy_wh / runs
        length_ms = min(each_ms, each_wh / running_w * HOUR_MS)
        seen = self.intervals if runs == 1 else 0
        return [
            Draft(
                start_ms=round(start + (index + 0.5) * each_ms - length_ms / 2.0),
                stop_ms=round(start + (index + 0.5) * each_ms + length_ms / 2.0),
                energy_wh=each_wh,
                power_w=None,
                peak_w=None,
                samples=seen,
                start_censored=seen < 2,
                stop_censored=seen < 2,
            )
            for index in range(runs)
        ]
