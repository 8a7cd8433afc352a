"""Measured rain on its way to the reservoirs, and forecast rain."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from forecaster.domain.times import HOUR_MS

DELAY_H = 0.7
"""Mean time from the sky to the reservoirs, a linear store [h] (common practice, no source)."""

STILL_RAINING_H = 0.75
"""Rain this recent goes on [h] (common practice, no source)."""


@dataclass(slots=True)
class RainRecord:
    """The rain of a gauge, delayed.

    at_ms : int | None — until when rain is known
    store_mm_per_h : float — rain reaching the reservoirs then [mm/h]
    reached_mm : float — rain that reached them since it was last taken [mm]
    expected_mm : dict — rain told ahead [mm] by the start of its hour [ms]
    """

    at_ms: int | None = None
    store_mm_per_h: float = 0.0
    reached_mm: float = 0.0
    last_rain_ms: int | None = None
    expected_mm: dict[int, float] = field(default_factory=dict)

    def fall(self, start_ms: int, stop_ms: int, depth_mm: float) -> None:
        """Rain that fell evenly over a span [mm]; spans are ordered, a gap between them was dry."""
        if self.at_ms is not None and start_ms > self.at_ms:
            self._pass(start_ms - self.at_ms, 0.0)
        span_ms = max(stop_ms - start_ms, 1)
        self._pass(span_ms, depth_mm / (span_ms / HOUR_MS))
        self.at_ms = stop_ms
        if depth_mm > 0.0:
            self.last_rain_ms = stop_ms

    def _pass(self, span_ms: int, rain_mm_per_h: float) -> None:
        hours = span_ms / HOUR_MS
        share = -np.expm1(-hours / DELAY_H)
        self.reached_mm += rain_mm_per_h * hours + (self.store_mm_per_h - rain_mm_per_h) * DELAY_H * share
        self.store_mm_per_h += (rain_mm_per_h - self.store_mm_per_h) * share

    def take(self) -> float:
        """Rain that has reached the reservoirs since the last call [mm]."""
        reached, self.reached_mm = self.reached_mm, 0.0
        return reached

    def raining_mm_per_h(self, now_ms: int) -> float:
        """Strength of the rain that falls now [mm/h]; 0 when it has stopped."""
        if self.last_rain_ms is None or now_ms - self.last_rain_ms > STILL_RAINING_H * HOUR_MS:
            return 0.0
        return self.store_mm_per_h

    def told(self, now_ms: int) -> dict[int, float]:
        """The rain forecast for hours that are not over yet."""
        return {hour: mm for hour, mm in self.expected_mm.items() if hour + HOUR_MS > now_ms}

    def forget(self, now_ms: int) -> None:
        """Drop the forecast of hours that are over."""
        self.expected_mm = self.told(now_ms)
