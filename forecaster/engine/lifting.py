"""What is known of the runs of one pump, taken together."""

from __future__ import annotations

import math
from dataclasses import dataclass

from forecaster.domain.runs import Run
from forecaster.engine.evidence import PumpSpan
from forecaster.engine.normals import Normals
from forecaster.engine.signs import Signs
from forecaster.engine.spans import Spans
from forecaster.segment import Segmenter
from forecaster.segment.seldom import is_seldom

WALK = 0.05
"""Variance that the count of runs that are sampled and seen gathers, over their energy, in energies of one sample: 0 to
0.1 in simulated outages, looked at against what the pump had truly used (seeds 102 to 132)."""


@dataclass(frozen=True, slots=True)
class Lifting:
    """The parts of a state that are of one pump."""

    segmenter: Segmenter
    spans: Spans
    normals: Normals
    signs: Signs

    def run(self, run: Run) -> PumpSpan | None:
        """Take a run that is certain. Returns the cycle that it ends."""
        segmenter, blind_ms = self.segmenter, self.segmenter.meter.blind_ms
        after_gap = self.spans.cycle_ms is None or self.spans.cycle_blind_ms != blind_ms
        self.normals.run(run, after_gap=after_gap, hearing=segmenter.hearing(run.source))
        coarse = segmenter.coarse(run.stop_ms)
        return self.spans.run(run, blind_ms, segmenter.standby_w, coarse=coarse)

    def seldom(self, at_ms: int) -> bool:
        """Whether runs are caught by chance, by samples so far apart that a count of them says little."""
        return self.segmenter.lump_wh(at_ms) > 0.0 and is_seldom(self.segmenter.interval_ms(at_ms))

    def grain_wh(self, at_ms: int) -> float:
        """The energy within which the count of runs that are sampled and seen is at one moment, whatever it was off by
        before [Wh]; 0 elsewhere.

        It is not known when a run began between two samples nor, while it lasts, what it took since the newest: two
        errors, each even over an interval.
        """
        return math.sqrt(2.0) * self._sample_wh(at_ms)

    def walk_wh(self, at_ms: int) -> float:
        """By how much the count of such runs strays on, as variance over its energy [Wh]: what each is off by stays."""
        return WALK * self._sample_wh(at_ms)

    def _sample_wh(self, at_ms: int) -> float:
        """What the pump takes between two samples of its run [Wh]; 0 for reports on change, beside a counter, and where
        runs are caught by chance or not heard.
        """
        segmenter, tracker = self.segmenter, self.segmenter.believed(at_ms)
        if tracker is None or segmenter.counted(at_ms) or segmenter.coarse(at_ms):
            return 0.0
        return segmenter.running_w * tracker.rhythm.sample_s / 3600.0
