"""What is known of the runs of one pump, taken together."""

from __future__ import annotations

from dataclasses import dataclass

from forecaster.domain.runs import Run
from forecaster.engine.evidence import PumpSpan
from forecaster.engine.normals import Normals
from forecaster.engine.signs import Signs
from forecaster.engine.spans import Spans
from forecaster.segment import Segmenter
from forecaster.segment.seldom import is_seldom


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
