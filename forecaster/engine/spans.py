"""Spans of pump energy for the inflow model: whole cycles where runs are measured, windows of the meter where the
sampling is too coarse for that. Never across a time of which nothing is known.
"""

from __future__ import annotations

import msgspec

from forecaster.domain.runs import Run
from forecaster.engine.evidence import PumpSpan
from forecaster.segment.segmenter import Segmenter

_MS_PER_HOUR = 3_600_000.0
_COUNTED_WINDOW_MS = 600_000
_SAMPLED_WINDOW_MS = 1_800_000
_PATIENCE = 4
_ENOUGH_SAMPLES = 8.0
_FADE_MS = 7_200_000.0


class Spans(msgspec.Struct):
    """The open cycle and the open window.

    recent_w : float | None — mean power over about the last two hours of spans, to fill blind time with [W]
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
        """Take a run; returns the cycle that it ends, unless the sampling is too coarse for cycles."""
        span: PumpSpan | None = None
        began = self.cycle_ms
        if (
            not coarse
            and began is not None
            and self.cycle_wh is not None
            and self.cycle_blind_ms == meter_blind_ms
            and began >= self.end_ms
            and run.start_ms > began
        ):
            span = self._emit(began, run.start_ms, self.cycle_wh)
        self.cycle_ms, self.cycle_blind_ms = run.start_ms, meter_blind_ms
        self.cycle_wh = None
        if run.energy_wh is not None and not (run.samples >= 2 and (run.start_censored or run.stop_censored)):
            self.cycle_wh = max(run.energy_wh - standby_w * run.run_s / 3600.0, 0.0)
        return span

    def window(self, at_ms: int, segmenter: Segmenter) -> PumpSpan | None:
        """Called when a window may be due: close it where the sampling is coarse, else start anew."""
        meter, began = segmenter.meter, self.window_ms
        if began is None or not segmenter.coarse(at_ms):
            self._restart(at_ms, segmenter)
            return None
        counter = segmenter.counter
        counted = counter is not None and not counter.rhythm.silent(at_ms)
        length = _COUNTED_WINDOW_MS if counted else _SAMPLED_WINDOW_MS
        if at_ms - began < length:
            self.due_ms = began + length
            return None
        if (
            counted
            and (meter.fresh_wh > 0.0 or meter.ticks == self.window_ticks)
            and at_ms - began < _PATIENCE * length
        ):
            return None
        span: PumpSpan | None = None
        if meter.blind_ms == self.window_blind_ms and began >= self.end_ms:
            used = meter.total_wh - self.window_wh - segmenter.standby_w * (at_ms - began) / _MS_PER_HOUR
            span = self._emit(began, at_ms, max(used, 0.0))
        self._restart(at_ms, segmenter)
        return span

    def _full(self, at_ms: int, segmenter: Segmenter) -> bool:
        """Whether a window may end now: at a step of the counter, or with enough samples of a running pump in it."""
        meter, counter = segmenter.meter, segmenter.counter
        if counter is not None and not counter.rhythm.silent(at_ms):
            return meter.fresh_wh <= 0.0 and meter.ticks > self.window_ticks
        sample_wh = segmenter.running_w * (segmenter.interval_ms(at_ms) or 0) / _MS_PER_HOUR
        return meter.total_wh - self.window_wh >= _ENOUGH_SAMPLES * sample_wh

    @staticmethod
    def _length_ms(at_ms: int, segmenter: Segmenter) -> int:
        counter = segmenter.counter
        counted = counter is not None and not counter.rhythm.silent(at_ms)
        return _COUNTED_WINDOW_MS if counted else _SAMPLED_WINDOW_MS

    def _restart(self, at_ms: int, segmenter: Segmenter) -> None:
        meter = segmenter.meter
        self.window_ms, self.window_wh, self.window_blind_ms = at_ms, meter.total_wh, meter.blind_ms
        self.window_ticks = meter.ticks
        self.due_ms = at_ms + self._length_ms(at_ms, segmenter)

    def _emit(self, start_ms: int, stop_ms: int, energy_wh: float) -> PumpSpan:
        self.end_ms = stop_ms
        length = stop_ms - start_ms
        watts = energy_wh / length * _MS_PER_HOUR
        self.told_ms = min(self.told_ms + length, _FADE_MS)
        if self.recent_w is None:
            self.recent_w = watts
        else:
            self.recent_w += min(1.0, length / self.told_ms) * (watts - self.recent_w)
        return PumpSpan(start_ms, stop_ms, energy_wh)
