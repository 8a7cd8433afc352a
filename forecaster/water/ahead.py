"""Draws of the inflow ahead: receding water, rain that continues, rain that is forecast, unannounced storms."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from forecaster.domain.times import HOUR_MS
from forecaster.maths.arrays import Array, Single
from forecaster.maths.conformal import Backtest
from forecaster.maths.noise import normals
from forecaster.maths.ranks import median
from forecaster.water.outflow import Draws, drawn_from
from forecaster.water.rain import DELAY_H, RainRecord
from forecaster.water.recession import Bank
from forecaster.water.storms import StormClimate, storm_rate, unit_storms_wh, unknown_size

RAIN_SPREAD = 0.5
"""Deviation of forecast rain from what falls, on a log scale (common practice, no source)."""

WIDENED_H = Backtest.AHEAD_H[-1]
"""The hours over which backtests compare the energy with what came [h]."""

_FARTHEST = 30.0
"""A draw's energy over the median's, or the other way round, beyond which it is widened no further."""


def widen(rises: Single, ahead_h: Array, factor: float) -> None:
    """Let the draws' energy over the hours that backtests look at stray from its median `factor` times as far.

    rises : (draws, T - 1) — energy from each time ahead to the next [Wh], changed in place
    ahead_h : (T,) — times ahead [h], rising from 0
    factor : float — of the deviation on a log scale, which treats half and double alike; a draw keeps its course
    """
    if factor == 1.0:
        return
    energy_wh = rises[:, : int(np.searchsorted(ahead_h, WIDENED_H))].sum(axis=1)
    middle_wh = median(energy_wh)
    if middle_wh > 0.0:
        ratio = np.clip(energy_wh / middle_wh, 1.0 / _FARTHEST, _FARTHEST)
        rises *= ratio[:, None] ** np.float32(factor - 1.0)


@dataclass(frozen=True, slots=True)
class Known:
    """What is known of the water at the bank's time.

    untaken_mm : float — measured rain that reached the reservoirs and is not in the bank yet [mm]
    storms, rain : the site's past storms, in pump energy [Wh] and in rain [mm]
    gauged : bool — whether rain is measured here
    widening : float — how much further the draws' energy strays than the bank's own spread, on a log scale
    """

    bank: Bank
    at_ms: int
    record: RainRecord
    untaken_mm: float
    storms: StormClimate
    rain: StormClimate
    gauged: bool
    widening: float = 1.0

    def rises_wh(self, now_ms: int, every_h: Array, draws: int, seed: int, *, storms: bool, points: int) -> Single:
        """Pump energy at the plug between the first `points` of the times ahead [Wh], shape (draws, points - 1).

        every_h : (T,) — rising, from 0 [h]
        storms : bool — whether storms that nobody announced may come
        """
        ahead_h = every_h[:points]
        lag_h = max(now_ms - self.at_ms, 0) / HOUR_MS
        drawn = drawn_from(self.bank, seed, draws)
        told = self.record.told(now_ms)
        rises = drawn.falling_wh(ahead_h, lag_h)
        if told:
            self._add_told_wh(rises, drawn, now_ms, ahead_h, told)
        else:
            measured = self.record.raining_mm_per_h(now_ms) if self.gauged else None
            drawn.add_raining_wh(rises, ahead_h, lag_h, measured)
            under_way = 0.0 if measured else self.record.store_mm_per_h * DELAY_H
            drawn.add_arrived_wh(rises, ahead_h, self.untaken_mm + under_way)
        wobble = drawn.wobble_factor(every_h, lag_h, points)
        rises *= wobble
        widen(rises, ahead_h, self.widening)
        if storms:
            wobble *= self._storms_wh(drawn, now_ms, every_h, told, points)
            rises += wobble
        return rises

    def _storms_wh(self, drawn: Draws, now_ms: int, every_h: Array, told: dict[int, float], points: int) -> Single:
        """Energy of unannounced storms between times ahead, beyond the forecast rain [Wh], (draws, points - 1)."""
        dry_h = float(round((max(told) + HOUR_MS - now_ms) / HOUR_MS)) if told else 0.0
        gauged = self.gauged and drawn.gains is not None
        climate = self.rain if gauged else self.storms
        rate_per_h, keeps = storm_rate(climate.rate_per_h)
        unit = unit_storms_wh(drawn.seed, drawn.draws, tuple(every_h.tolist()), rate_per_h, drawn.usual_h, dry_h)
        size = keeps * climate.mean_size * unknown_size(drawn.seed, drawn.draws, climate.size_spread)
        each = self._wh_per_mm(drawn)[:, None] * size if gauged else size
        return np.asarray(each.astype(np.float32) * unit[:, : points - 1])

    def _wh_per_mm(self, drawn: Draws) -> Array:
        """Pump energy that a millimetre of rain brings in all [Wh/mm], shape (draws,)."""
        if drawn.gains is not None:
            return np.asarray(drawn.gains.sum(axis=1))
        return np.full(drawn.draws, self.storms.mean_size / self.rain.mean_size)

    def _add_told_wh(self, rises: Single, drawn: Draws, now_ms: int, ahead_h: Array, told: dict[int, float]) -> None:
        """Add the energy of rain that is forecast, or still on its way through the ground, to the rises [Wh]."""
        gains = drawn.gains if drawn.gains is not None else self._wh_per_mm(drawn)[:, None] * drawn.shares
        falls = [((max(hour, now_ms) - now_ms) / HOUR_MS + DELAY_H, mm) for hour, mm in told.items() if mm > 0.0]
        falls.append((0.0, self.record.store_mm_per_h * DELAY_H))
        begins_h, depth_mm = np.array(falls).T
        spread = np.exp(RAIN_SPREAD * normals(drawn.seed + 3, drawn.draws, 1) - RAIN_SPREAD**2 / 2.0)
        drawn.add_shapes(rises, gains * spread, fallen_through(ahead_h, begins_h, depth_mm, drawn.scales_h))


def fallen_through(ahead_h: Array, begins_h: Array, depth_mm: Array, scales_h: Array) -> Array:
    """What hours of even rain have given through each time constant by times ahead, (S, T) [mm h].

    ahead_h : (T,) — times ahead [h]; scales_h : (S,) — time constants [h]
    begins_h, depth_mm : (N,) — when each hour begins [h], and how much falls in it [mm]

    The sum over the hours of `filled_h` since each began, less the same since each ended. The exponential of a
    difference of times is a product, so that times and hours need their own only; it stays within a float for two weeks
    through the fastest time constant of half an hour, e^672.
    """
    sooner = begins_h < ahead_h[-1]
    begins_h, depth_mm = begins_h[sooner], depth_mm[sooner]

    def fading(from_h: Array) -> Array:
        begun = (ahead_h[:, None] > from_h).astype(np.float64)
        grown = begun @ (depth_mm[:, None] * np.exp(from_h[:, None] / scales_h))
        return np.asarray(np.exp(-ahead_h[:, None] / scales_h) * grown - (begun @ depth_mm)[:, None])

    fell_mm = np.clip(ahead_h[:, None] - begins_h, 0.0, 1.0) @ depth_mm
    return np.asarray((fell_mm[:, None] + scales_h * (fading(begins_h) - fading(begins_h + 1.0))).T)
