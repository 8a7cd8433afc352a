"""Spans of pump energy for the inflow model: whole cycles where runs are measured, windows of the meter where the
sampling is too coarse for that. Never across a time of which nothing is known.
"""

from __future__ import annotations

import msgspec

from forecaster.domain.runs import Run
from forecaster.domain.times import HOUR_MS
from forecaster.engine.evidence import PumpSpan
from forecaster.segment.segmenter import Segmenter
from forecaster.segment.seldom import CLUMP, is_seldom

_COUNTED_WINDOW_MS = 600_000
_SAMPLED_WINDOW_MS = 1_800_000
_PATIENCE = 4
_LEAST_WINDOW_MS = 300_000
_LONGEST_WINDOW_MS = 4 * 3_600_000
_LOOK_MS = 300_000
_ENOUGH_CATCHES = 6.0
_FAR_MORE = 2.0
_FADE_MS = 7_200_000.0


class Spans(msgspec.Struct):
    """The cycle and the window in progress.

    recent_w : float | None — mean power over about the last two hours of spans, used for blind time [W]
    """

    end_ms: int = 0
    cycle_ms: int | None = None
    cycle_wh: float | None = None
    cycle_blind_ms: int = 0
    window_ms: int | None = None
    window_wh: float = 0.0
    window_blind_ms: int = 0
    window_ticks: int = 0
    due_ms: int = 0
    recent_w: float | None = None
    told_ms: float = 0.0

    def run(self, run: Run, meter_blind_ms: int, standby_w: float, *, coarse: bool) -> PumpSpan | None:
        """Take a run. Returns the cycle that it ends, unless the sampling is too coarse for cycles."""
        span = None if coarse else self.cycle_until(run.start_ms, meter_blind_ms)
        if span is not None:
            self._emit(span)
        self.cycle_ms, self.cycle_blind_ms = run.start_ms, meter_blind_ms
        self.cycle_wh = None
        if run.energy_wh is not None and not (run.samples >= 2 and (run.start_censored or run.stop_censored)):
            self.cycle_wh = max(run.energy_wh - standby_w * run.run_s / 3600.0, 0.0)
        return span

    def cycle_until(self, start_ms: int, meter_blind_ms: int) -> PumpSpan | None:
        """The cycle that a run ends which starts then; None where none was begun, or something in it is not known."""
        began, used_wh = self.cycle_ms, self.cycle_wh
        if began is None or used_wh is None or self.cycle_blind_ms != meter_blind_ms:
            return None
        return PumpSpan(began, start_ms, used_wh) if self.end_ms <= began < start_ms else None

    def window(self, at_ms: int, segmenter: Segmenter) -> PumpSpan | None:
        """Called when a window may be due: closes it where the sampling is coarse, else starts a new one."""
        if self.window_ms is None or not segmenter.coarse(at_ms):
            self._restart(at_ms, segmenter)
            return None
        if not self._full(at_ms, segmenter):
            return None
        span = self.open_window(at_ms, segmenter)
        if span is not None:
            self._emit(span)
        self._restart(at_ms, segmenter)
        return span

    def open_window(self, at_ms: int, segmenter: Segmenter) -> PumpSpan | None:
        """The window so far; None where the sampling is fine, or the window is too short or contains blind time."""
        meter, began = segmenter.meter, self.window_ms
        if began is None or at_ms - began < _LEAST_WINDOW_MS or not segmenter.coarse(at_ms):
            return None
        if meter.blind_ms != self.window_blind_ms or began < self.end_ms:
            return None
        used = meter.total_wh - self.window_wh - segmenter.standby_w * (at_ms - began) / HOUR_MS
        lump_wh = segmenter.lump_wh(at_ms) * (CLUMP if is_seldom(segmenter.interval_ms(at_ms)) else 1.0)
        ends_wh = 0.0 if lump_wh > 0.0 else segmenter.cut_wh()
        return PumpSpan(began, at_ms, max(used, 0.0), lump_wh, ends_wh)

    def _full(self, at_ms: int, segmenter: Segmenter) -> bool:
        """Whether the window may end: at a step of the counter, or when enough caught runs are expected in it.

        Its length depends on what was seen before it, not on its content, because a window that ends with a caught run
        would be biased upwards. Only where far more comes than expected does it end early.
        """
        meter, began = segmenter.meter, self.window_ms or 0
        length_ms = at_ms - began
        if segmenter.counted(at_ms):
            if length_ms < _COUNTED_WINDOW_MS:
                self.due_ms = began + _COUNTED_WINDOW_MS
                return False
            at_step = meter.fresh_wh <= 0.0 and meter.ticks != self.window_ticks
            return at_step or length_ms >= _PATIENCE * _COUNTED_WINDOW_MS
        enough_wh = _ENOUGH_CATCHES * segmenter.lump_wh(at_ms)
        expected_wh = (self.recent_w or 0.0) * length_ms / HOUR_MS
        self.due_ms = at_ms + _LOOK_MS
        if length_ms < _SAMPLED_WINDOW_MS:
            return False
        came_early = meter.total_wh - self.window_wh >= _FAR_MORE * enough_wh
        return expected_wh >= enough_wh or came_early or length_ms >= _LONGEST_WINDOW_MS

    def _restart(self, at_ms: int, segmenter: Segmenter) -> None:
        meter = segmenter.meter
        self.window_ms, self.window_wh, self.window_blind_ms = at_ms, meter.total_wh, meter.blind_ms
        self.window_ticks = meter.ticks
        self.due_ms = at_ms + _LOOK_MS

    def _emit(self, span: PumpSpan) -> None:
        self.end_ms = span.stop_ms
        length = span.stop_ms - span.start_ms
        watts = span.energy_wh / length * HOUR_MS
        self.told_ms = min(self.told_ms + length, _FADE_MS)
        if self.recent_w is None:
            self.recent_w = watts
        else:
            self.recent_w += min(1.0, length / self.told_ms) * (watts - self.recent_w)
