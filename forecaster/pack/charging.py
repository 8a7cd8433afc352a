"""Charging while the pack carries the pump: sun by day, shaped like a clear sky, or a generator for some time."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from forecaster.domain.errors import SnapshotError
from forecaster.domain.times import HOUR_MS
from forecaster.maths.arrays import Array
from forecaster.maths.noise import normals, uniforms
from forecaster.pack.sun import clear_sky_w_per_m2

STEP_H = 0.25
COUNT_MS = 600_000

DAYLIGHT_W_PER_M2 = 80.0
"""Less light than this says nothing about a panel [W/m²]."""

MEMORY_H = 12.0
TODAY_H = 2.0
"""Hours of light over which the site's usual yield, and today's, are averaged."""

DAY_SPREAD = 0.6
TODAY_SPREAD = 0.3
"""Spread of the log of a coming day's yield over the usual, and of the rest of today's over what it was lately (common
practice, no source)."""

GENERATOR_H = 4.0
"""A generator goes on for about this long (common practice, no source) [h]."""

STEADY_SPREAD = 0.35
"""Spread of the logarithm of a charging that continues, where day and night cannot be told apart."""


@dataclass(slots=True)
class Charging:
    """A model of energy into the pack while it carries the pump: update it with spans, then draw ahead.

    latitude, longitude : float | None — [degrees]; None: day and night cannot be told apart
    """

    latitude: float | None
    longitude: float | None
    usual: float = 0.0
    usual_h: float = 0.0
    today: float = 0.0
    today_ms: int | None = None
    night_w: float = 0.0
    last_ms: int | None = None
    counted_wh: float = 0.0

    def count(self, at_ms: int, total_wh: float, *, begins: bool = False) -> None:
        """Energy into the pack counted since the transfer [Wh]; spans of ten minutes and more are observed."""
        if begins or self.last_ms is None or total_wh < self.counted_wh:
            self.last_ms, self.counted_wh = at_ms, total_wh
        elif at_ms - self.last_ms >= COUNT_MS:
            since_ms, wh = self.last_ms, total_wh - self.counted_wh
            self.counted_wh = total_wh
            self.observe(since_ms, at_ms, wh / ((at_ms - since_ms) / HOUR_MS))

    def _light(self, at_ms: Array) -> Array:
        if self.latitude is None or self.longitude is None:
            return np.zeros(at_ms.shape)
        return clear_sky_w_per_m2(at_ms, self.latitude, self.longitude)

    def observe(self, start_ms: int, stop_ms: int, mean_w: float) -> None:
        """Mean power into the pack over a span on the pack [W]; ordered, not overlapping."""
        hours = (stop_ms - start_ms) / HOUR_MS
        if hours <= 0.0:
            return
        self.last_ms = stop_ms
        light = float(self._light(np.array([(start_ms + stop_ms) / 2.0]))[0])
        power = max(mean_w, 0.0)
        if light < DAYLIGHT_W_PER_M2:
            self.night_w = power if power > 2.0 else 0.0
            return
        ratio = power / light
        self.usual_h = min(self.usual_h + hours, MEMORY_H)
        self.usual += (ratio - self.usual) * min(1.0, hours / self.usual_h)
        fresh = self.today_ms is None or stop_ms - self.today_ms > 6.0 * HOUR_MS
        self.today = ratio if fresh else self.today + (ratio - self.today) * float(-np.expm1(-hours / TODAY_H))
        self.today_ms = stop_ms
        self.night_w = 0.0

    @property
    def seen(self) -> bool:
        """Whether any charging was seen on the pack."""
        return self.usual > 0.0 or self.night_w > 0.0

    def draw_ahead(self, now_ms: int, ahead_s: Array, draws: int, seed: int) -> Array | None:
        """Cumulative energy into the pack ahead [Wh], shape (draws, T), laid out by time; None where none was seen."""
        if not self.seen:
            return None
        hours = ahead_s / 3600.0
        total = np.zeros((hours.size, draws)).T
        if self.night_w > 0.0 and self.latitude is None:
            spread = np.exp(STEADY_SPREAD * normals(seed + 13, draws, 1))
            total += spread * self.night_w * hours
        elif self.night_w > 0.0:
            ends = -GENERATOR_H * np.log(uniforms(seed + 11, draws, 1)[:, 0])
            total += self.night_w * np.minimum(hours[None, :], ends[:, None])
        if self.usual > 0.0:
            total += self._sun_wh(now_ms, hours, draws, seed)
        return total

    def _sun_wh(self, now_ms: int, hours: Array, draws: int, seed: int) -> Array:
        """Energy of the sun ahead: the clear sky of each solar day times that day's yield."""
        fine = np.arange(0.0, hours[-1] + STEP_H, STEP_H)
        at_ms = now_ms + (fine + STEP_H / 2.0) * HOUR_MS
        light = self._light(at_ms) * STEP_H
        longitude = 0.0 if self.longitude is None else self.longitude
        day = np.floor(at_ms / (24.0 * HOUR_MS) + longitude / 360.0).astype(int)
        day -= day[0]
        by_day = np.zeros((int(day[-1]) + 1, fine.size))
        by_day[day, np.arange(fine.size)] = light
        summed = np.cumsum(by_day, axis=1)
        ahead = np.stack([np.interp(hours, fine + STEP_H, row, left=0.0) for row in summed])
        z = normals(seed + 12, draws, ahead.shape[0])
        yields = self.usual * np.exp(DAY_SPREAD * z - DAY_SPREAD**2 / 2.0)
        if self.today_ms is not None and now_ms - self.today_ms < 4.0 * HOUR_MS:
            yields[:, 0] = self.today * np.exp(TODAY_SPREAD * z[:, 0] - TODAY_SPREAD**2 / 2.0)
        return np.asarray((ahead.T @ yields.T).T, dtype=np.float64)

    def state(self) -> dict[str, object]:
        """All that is known, for a snapshot."""
        return asdict(self)

    @classmethod
    def from_state(cls, state: dict[str, Any]) -> Charging:
        """The charging that gave this state; SnapshotError where it cannot be read."""
        try:
            return cls(**state)
        except TypeError as error:
            raise SnapshotError(f"charging state cannot be read ({error}); start the site anew") from error
