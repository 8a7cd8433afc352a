"""The evidence of a rehearsal: charge, runs, output, rain, and how the pump ran on mains before."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise

import numpy as np

from forecaster.domain.runs import Run
from forecaster.domain.site import Site
from forecaster.domain.times import HOUR_MS
from forecaster.maths.arrays import Array
from forecaster.pack.nameplate import running_w

MAINS_HABIT = 200
"""How many runs on mains before the test are compared with, at most."""


def held_mean(points: Sequence[tuple[int, float]], end_ms: int) -> float:
    """Mean of readings that hold until the next one, the last one until an end: (time_ms, value), in order."""
    times = np.array([*(at_ms for at_ms, _ in points), end_ms], dtype=np.float64)
    values = np.array([value for _, value in points], dtype=np.float64)
    held = np.diff(times)
    return float(np.average(values, weights=held)) if held.sum() > 0.0 else float(values.mean())


@dataclass(frozen=True)
class DischargeEvidence:
    """What was measured from the transfer to the pack to the end, or until now.

    charge : (time_ms, %) as reported, in order
    runs : runs that start on the pack, in order; before : runs on mains before it, in order
    output_w, input_w : (time_ms, W) of the pack's output and of power into it, in order; empty where not measured
    each_load_w : (name, mean W) of each other load that is measured by itself
    rain_mm : float | None — rain that fell meanwhile [mm]; None where no gauge reports
    """

    site: Site
    start_ms: int
    end_ms: int
    charge: tuple[tuple[int, float], ...] = ()
    runs: tuple[Run, ...] = ()
    before: tuple[Run, ...] = ()
    output_w: tuple[tuple[int, float], ...] = ()
    input_w: tuple[tuple[int, float], ...] = ()
    rain_mm: float | None = None
    each_load_w: tuple[tuple[str, float], ...] = ()

    @property
    def hours(self) -> float:
        """Length so far [h]."""
        return max(self.end_ms - self.start_ms, 0) / HOUR_MS

    @property
    def used_percent(self) -> float:
        """Charge used, from the first to the last reading [%]; 0 with fewer than two."""
        return max(0.0, self.charge[0][1] - self.charge[-1][1]) if self.charge else 0.0

    @property
    def step_percent(self) -> float:
        """The step in which the charge is reported: the least change seen [%]; 1 before any."""
        values = [percent for _, percent in self.charge]
        moves = {round(abs(b - a), 4) for a, b in pairwise(values) if a != b}
        return min(moves) if moves else 1.0

    @property
    def energy_measured(self) -> bool:
        """Whether most runs have a measured energy, so that Wh are measured rather than assumed."""
        told = sum(run.energy_wh is not None for run in self.runs)
        return bool(self.runs) and told >= 0.8 * len(self.runs)

    @cached_property
    def energies_wh(self) -> Array:
        """Energy of each run at the plug [Wh], (R,): measured, else its length times the running power."""
        watts = self.running_w
        return np.array(
            [r.energy_wh if r.energy_wh is not None else (r.power_w or watts) * r.run_s / 3600.0 for r in self.runs],
            dtype=np.float64,
        )

    @property
    def running_w(self) -> float:
        """Running power [W]: median of what was measured, else the nameplate's."""
        told = [run.power_w for run in (*self.runs, *self.before) if run.power_w is not None]
        return float(np.median(told)) if told else running_w(self.site.pump)

    def plug_wh(self, at_ms: Array) -> Array:
        """Cumulative pump energy at the plug since the start [Wh], at each time."""
        if not self.runs:
            return np.zeros(at_ms.shape)
        edges = np.array([[run.start_ms, run.stop_ms] for run in self.runs], dtype=np.float64).ravel()
        ends = np.cumsum(self.energies_wh)
        levels = np.stack([ends - self.energies_wh, ends], axis=1).ravel()
        return np.asarray(np.interp(at_ms, edges, levels), dtype=np.float64)

    @property
    def between_w(self) -> Array:
        """Output of the pack while the pump rests [W], away from the edges of runs."""
        times = np.array([t for t, _ in self.output_w], dtype=np.float64)
        watts = np.array([w for _, w in self.output_w], dtype=np.float64)
        still = np.ones(times.shape, dtype=np.bool_)
        for run in self.runs:
            still &= (times < run.start_ms - 2000) | (times > run.stop_ms + 2000)
        return watts[still]

    def charging_wh(self, at_ms: Array) -> Array:
        """Cumulative energy into the pack since the start [Wh], at each time; readings hold for at most ten minutes."""
        if not self.input_w:
            return np.zeros(at_ms.shape)
        times = np.array([t for t, _ in self.input_w], dtype=np.float64)
        watts = np.maximum(np.array([w for _, w in self.input_w], dtype=np.float64), 0.0)
        held = np.minimum(np.diff(times), 600_000.0) / HOUR_MS
        total = np.concatenate([[0.0], np.cumsum(watts[:-1] * held)])
        return np.asarray(np.interp(at_ms, times, total), dtype=np.float64)
