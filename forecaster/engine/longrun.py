"""A run that goes on: a float that hangs, a clogged discharge, or as much water as the pump lifts. It counts while it
lasts, not when it has ended, and it may go on until the pack is empty.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from forecaster.domain.times import HOUR_MS
from forecaster.engine.evidence import PumpSpan
from forecaster.engine.fold import Fold
from forecaster.maths.arrays import Array
from forecaster.maths.noise import uniforms

LONGER, SAMPLES_MORE = 1.5, 2.0
"""A run goes on when it has taken so many times a usual one's energy, and as many samples more: a usual run can look so
much longer."""
MOST_STAYING = 0.5
"""Share of the draws in which the run goes on until the pack is empty, where it is already far longer than usual
(common practice, no source: nothing tells why a pump does not stop)."""
PART_MS, MOST_PARTS = 180_000, 24


@dataclass(frozen=True, slots=True)
class LongRun:
    """A run that goes on.

    began_ms, until_ms : its start, and until when it is known to last, UTC milliseconds
    used_wh, usual_wh : float — its energy so far, and that of a usual run [Wh]
    """

    began_ms: int
    until_ms: int
    used_wh: float
    usual_wh: float

    def came(self) -> list[PumpSpan]:
        """The water that has come in the run at the least, part by part.

        A run lifts what stands and what comes, so that what comes takes its energy less that of a usual run.
        """
        long_ms = self.until_ms - self.began_ms
        parts = min(max(long_ms // PART_MS, 1), MOST_PARTS)
        edges = [self.began_ms + long_ms * part // parts for part in range(parts + 1)]
        share_wh = self.used_wh / parts
        came_wh = [max(share_wh - self.usual_wh, 0.0), *[share_wh] * (parts - 1)]
        return [PumpSpan(*span, wh) for span, wh in zip(pairwise(edges), came_wh, strict=True)]

    def stays_on_w(self, draws: int, seed: int) -> Array:
        """Power of a pump that runs on until the pack is empty [W], (draws,), 0 where it does not. The longer the run
        over a usual one, the more of the draws.
        """
        watts = self.used_wh / max((self.until_ms - self.began_ms) / HOUR_MS, 1e-9)
        share = MOST_STAYING * (1.0 - self.usual_wh / self.used_wh)
        return np.where(uniforms(seed + 17, draws, 1)[:, 0] < share, watts, 0.0)


def long_run(fold: Fold, now_ms: int) -> LongRun | None:
    """The run that goes on, by the source believed now; None where none does, or where usual ones are not known."""
    tracker, usual_wh = fold.segmenter.believed(now_ms), fold.normals.usual_run_wh()
    if tracker is None or not usual_wh:
        return None
    sample_wh = fold.segmenter.running_w * tracker.rhythm.sample_s / 3600.0
    until_ms, used_wh = tracker.lasts(now_ms)
    if used_wh <= LONGER * usual_wh + SAMPLES_MORE * sample_wh:
        return None
    return LongRun(tracker.open_ms, until_ms, used_wh, usual_wh)


def unfinished(fold: Fold, run: LongRun, now_ms: int) -> list[PumpSpan]:
    """The cycle before the run, and what came in it; none where the window tells of them, for lack of single runs."""
    if fold.segmenter.coarse(now_ms) or run.began_ms < fold.spans.end_ms:
        return []
    cycle = fold.spans.cycle_until(run.began_ms, fold.segmenter.meter.blind_ms)
    return ([] if cycle is None else [cycle]) + run.came()
