"""How much water is coming, told by the pump's own energy, and how it will fall."""

from __future__ import annotations

from copy import copy
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from forecaster.arrays import pack_array, unpack_array
from forecaster.cyclenoise import CycleNoise
from forecaster.domain.errors import SnapshotError
from forecaster.domain.site import Pit, Pump
from forecaster.domain.status import Spread
from forecaster.nameplate import running_w
from forecaster.noise import normals, seed_from
from forecaster.outflow import Draws
from forecaster.recession import BASE, FAST, GAIN_FAST, GAIN_SLOW, SLOW, WOBBLE, Bank, Surge, grid
from forecaster.storms import StormClimate, unit_storms_wh

Array = NDArray[np.float64]

MS_PER_H = 3_600_000.0
BIN_H = 0.2
"""Spans are gathered to this length before the filters take them in [h]."""

PRIOR_DUTY = 0.04
PRIOR_DUTY_SPREAD = 1.0
"""Before the first cycle: the pump runs 4 % of the time, within a factor of e (common practice, no source)."""

RAIN_SPREAD = 0.5
"""Rain told ahead strays from what falls by this much on a log scale (common practice, no source)."""

VERSION = 1


@dataclass(slots=True)
class Bin:
    """A span of whole cycles being gathered."""

    start_ms: int
    stop_ms: int
    energy_wh: float
    cycles: int

    @property
    def span_h(self) -> float:
        """Length [h]."""
        return (self.stop_ms - self.start_ms) / MS_PER_H


class Inflow:
    """A belief about the pump's mean power now and ahead; update with spans of whole cycles, then read.

    running_w : float — power while running [W]: the nameplate's until told better; the ceiling of the mean
    """

    def __init__(self, pump: Pump, pit: Pit) -> None:
        self.pit = pit
        self.running_w = running_w(pump)
        self.noise = CycleNoise()
        self.storms = StormClimate(prior_size=0.06 * self.running_w)
        self.rain = StormClimate(prior_size=12.0)
        self.bank: Bank | None = None
        self.bank_ms = 0
        self.bin: Bin | None = None
        self.cycles = 0
        self.gauge_seen = False
        self.pending_rain_mm = 0.0
        self.expected_mm: dict[int, float] = {}

    def observe(self, start_ms: int, stop_ms: int, energy_wh: float) -> None:
        """Pump energy at the plug [Wh] over [start_ms, stop_ms), a span of whole cycles; ordered, not overlapping."""
        if stop_ms <= start_ms:
            return
        self.cycles += 1
        held = self.bin
        if held is not None and start_ms - held.stop_ms > 2_000:
            self._flush()
            self.noise.interrupt()
            held = None
        self.noise.update(energy_wh / ((stop_ms - start_ms) / MS_PER_H))
        if held is None:
            self.bin = Bin(start_ms, stop_ms, energy_wh, 1)
        else:
            self.bin = Bin(held.start_ms, stop_ms, held.energy_wh + energy_wh, held.cycles + 1)
        if self.bin is not None and self.bin.span_h >= BIN_H:
            self._flush()

    def observe_rain(self, start_ms: int, stop_ms: int, depth_mm: float) -> None:
        """Rain that fell over a span [mm]; 0 is a reading too."""
        self.gauge_seen = True
        self.pending_rain_mm += depth_mm
        self.rain.watch(max(stop_ms - start_ms, 0) / MS_PER_H, depth_mm)

    def expect_rain(self, hour_ms: int, depth_mm: float) -> None:
        """Rain told for the hour that starts at hour_ms [mm]; a later telling replaces an earlier one."""
        self.expected_mm[hour_ms] = depth_mm

    def _flush(self) -> None:
        if self.bin is None:
            return
        if not self.gauge_seen:
            past = [hour for hour in self.expected_mm if hour + MS_PER_H <= self.bin.stop_ms]
            self.pending_rain_mm += sum(self.expected_mm.pop(hour) for hour in past)
        self.bank = self._folded(self.bank, self.bin)
        span_h = self.bin.span_h
        if self.bank.surge_probability > 0.5:
            self.storms.watch(span_h, self.bank.surge_w)
        else:
            self.storms.watch(span_h, 0.0)
        self.bank_ms = self.bin.stop_ms
        self.pending_rain_mm = 0.0
        self.bin = None

    def _folded(self, bank: Bank | None, held: Bin) -> Bank:
        """The bank with one bin taken in; the bank given is left as it was."""
        mean_w = held.energy_wh / held.span_h
        variance = mean_w**2 * (self.noise.variance(held.cycles) + 0.003**2) + (1e-4 * self.running_w) ** 2
        if bank is None:
            new = self._first(mean_w)
            new.observe(mean_w, variance, held.span_h)
            return new
        new = copy(bank)
        level = max(new.level_w, 0.002 * self.running_w)
        if self.pending_rain_mm > 0.0 and not new.has_gains:
            new.add_gains(0.05 * level, 0.15 * level)
        span_h = max((held.stop_ms - self.bank_ms) / MS_PER_H, held.span_h)
        new.predict(span_h, level, self.pending_rain_mm)
        rate = self.storms.rate_per_h * (0.1 if self.gauge_seen else 1.0)
        chance = min(0.5, 1.0 - np.exp(-rate * span_h) + 0.5 * bank.surge_probability)
        jump = max(self.storms.mean_size, 0.1 * level)
        new.observe(mean_w, variance, held.span_h, Surge(chance, 0.4 * jump, 0.3 * jump))
        return new

    def _first(self, mean_w: float) -> Bank:
        """A bank about to see its first bin: any split between base and reservoirs is likely."""
        mean = mean_w * np.array([0.3, 0.35, 0.35, 0.0])
        bank = Bank(grid(), mean, np.diag((mean_w * np.array([0.4, 0.5, 0.5, 0.0])) ** 2))
        bank.covariance[:, WOBBLE, WOBBLE] = (bank.candidates.wobble * mean_w) ** 2
        return bank

    def _present(self) -> tuple[Bank, int] | None:
        """The bank with the bin being gathered folded in, and the time it stands at; None before the first cycle."""
        if self.bin is not None:
            return self._folded(self.bank, self.bin), self.bin.stop_ms
        if self.bank is None:
            return None
        return self.bank, self.bank_ms

    def draw_ahead(self, now_ms: int, ahead_s: Array, draws: int, rng: np.random.Generator) -> Array:
        """Cumulative pump energy at the plug ahead [Wh], shape (draws, T), rising along T, 0 at ahead_s = 0.

        ahead_s : (T,) — rising, from 0 [s]
        rng : seeded; the same generator state gives the same draws for the same belief
        """
        seed = seed_from(rng)
        ahead_h = ahead_s / 3600.0
        present = self._present()
        if present is None:
            z = normals(seed, draws, 1)[:, 0]
            level = np.minimum(self.running_w * PRIOR_DUTY * np.exp(PRIOR_DUTY_SPREAD * z), self.running_w)
            return np.asarray(level[:, None] * ahead_h, dtype=np.float64)
        bank, at_ms = present
        lag_h = max(now_ms - at_ms, 0) / MS_PER_H
        path = Draws(bank, seed, draws).cumulative_wh(ahead_h, lag_h)
        path = path + self._storms_ahead_wh(bank, now_ms, ahead_h, seed, draws)
        rise = np.minimum(np.diff(path, axis=1), self.running_w * np.diff(ahead_h))
        return np.concatenate([np.zeros((draws, 1)), np.cumsum(rise, axis=1)], axis=1)

    def _storms_ahead_wh(self, bank: Bank, now_ms: int, ahead_h: Array, seed: int, draws: int) -> Array:
        """Energy from rain to come: told ahead where it is, drawn from the climate beyond."""
        weights = bank.weights
        fast_h = _nearest(bank.candidates.fast_h, float(np.exp(weights @ np.log(bank.candidates.fast_h))))
        slow_h = _nearest(bank.candidates.slow_h, float(np.exp(weights @ np.log(bank.candidates.slow_h))))
        told = {hour: mm for hour, mm in self.expected_mm.items() if hour + MS_PER_H > now_ms}
        dry_h = float(round((max(told) + MS_PER_H - now_ms) / MS_PER_H)) if told else 0.0
        climate = self.rain if self.gauge_seen and bank.has_gains else self.storms
        rate = round(climate.rate_per_h, 4)
        unit = unit_storms_wh(seed, draws, tuple(ahead_h.tolist()), rate, fast_h, slow_h, dry_h)
        gain_fast, gain_slow = self._gains(bank)
        size = self.rain.mean_size * (gain_fast + gain_slow) if climate is self.rain else self.storms.mean_size
        total = size * unit
        wet = {hour: mm for hour, mm in told.items() if mm > 0.0}
        if wet or self.pending_rain_mm > 0.0:
            falls = [((max(hour, now_ms) - now_ms) / MS_PER_H + 0.5, mm) for hour, mm in wet.items()]
            falls.append((0.0, self.pending_rain_mm))
            known = np.zeros(ahead_h.size)
            for start_h, depth in falls:
                since = np.maximum(ahead_h - start_h, 0.0)
                known += depth * gain_fast * fast_h * -np.expm1(-since / fast_h)
                known += depth * gain_slow * slow_h * -np.expm1(-since / slow_h)
            spread = np.exp(RAIN_SPREAD * normals(seed + 1, draws, 1) - RAIN_SPREAD**2 / 2.0)
            total = total + spread * known
        return np.asarray(total, dtype=np.float64)

    def _gains(self, bank: Bank) -> tuple[float, float]:
        """Mean gains of rain [W/mm]; before any rain was seen, from the mean storm and the mean rain."""
        if bank.has_gains:
            weights = bank.weights
            return (
                max(0.0, float(weights @ bank.mean[:, GAIN_FAST])),
                max(0.0, float(weights @ bank.mean[:, GAIN_SLOW])),
            )
        guess = self.storms.mean_size / self.rain.mean_size
        return 0.6 * guess, 0.4 * guess

    def mean_w(self, now_ms: int) -> Spread:
        """Mean power of the pump over its cycles, now [W]: 5, 50 and 95 % points; count of cycles it rests on."""
        present = self._present()
        if present is None:
            middle = self.running_w * PRIOR_DUTY
            factor = float(np.exp(1.645 * PRIOR_DUTY_SPREAD))
            return Spread(middle / factor, middle, min(middle * factor, self.running_w), 0)
        bank, at_ms = present
        drawn = Draws(bank, 0, 256).level_w(max(now_ms - at_ms, 0) / MS_PER_H)
        low, middle, high = np.quantile(drawn, [0.05, 0.5, 0.95])
        return Spread(float(low), float(middle), float(high), self.cycles)

    def halving_h(self, now_ms: int) -> float | None:
        """Hours in which the expected inflow halves without new rain [h]; None when it does not within 30 days."""
        present = self._present()
        if present is None:
            return None
        bank, at_ms = present
        weights, c = bank.weights, bank.candidates
        t = max(now_ms - at_ms, 0) / MS_PER_H + np.concatenate([[0.0], np.geomspace(0.25, 720.0, 120)])
        fast = np.exp(-t[:, None] / c.fast_h) @ (weights * np.maximum(bank.mean[:, FAST], 0.0))
        slow = np.exp(-t[:, None] / c.slow_h) @ (weights * np.maximum(bank.mean[:, SLOW], 0.0))
        level = fast + slow + float(weights @ np.maximum(bank.mean[:, BASE], 0.0))
        below = np.flatnonzero(level <= 0.5 * level[0])
        return float(t[below[0]] - t[0]) if below.size and level[0] > 0.0 else None

    def refit(self, now_ms: int) -> None:
        """Tune the site's constants on its own history; heavy. FitError where it cannot."""

    def copy(self) -> Inflow:
        """A belief of its own that starts from this one; cheap."""
        other = copy(self)
        other.noise, other.storms, other.rain = copy(self.noise), copy(self.storms), copy(self.rain)
        other.expected_mm = dict(self.expected_mm)
        return other

    def state(self) -> dict[str, object]:
        """All that is known, for a snapshot."""
        bank = None
        if self.bank is not None:
            bank = {
                "mean": pack_array(self.bank.mean),
                "covariance": pack_array(self.bank.covariance),
                "log_weight": pack_array(self.bank.log_weight),
                "surge_probability": self.bank.surge_probability,
                "surge_w": self.bank.surge_w,
            }
        return {
            "version": VERSION,
            "running_w": self.running_w,
            "noise": asdict(self.noise),
            "storms": asdict(self.storms),
            "rain": asdict(self.rain),
            "bank": bank,
            "bank_ms": self.bank_ms,
            "bin": asdict(self.bin) if self.bin is not None else None,
            "cycles": self.cycles,
            "gauge_seen": self.gauge_seen,
            "pending_rain_mm": self.pending_rain_mm,
            "expected_mm": [[hour, mm] for hour, mm in sorted(self.expected_mm.items())],
        }

    @classmethod
    def from_state(cls, pump: Pump, pit: Pit, state: dict[str, Any]) -> Inflow:
        """The inflow that gave this state; SnapshotError where it cannot be read."""
        if state.get("version") != VERSION:
            raise SnapshotError(f"inflow state of version {state.get('version')}, expected {VERSION}; start anew")
        self = cls(pump, pit)
        try:
            self.running_w = float(state["running_w"])
            self.noise = CycleNoise(**state["noise"])
            self.storms = StormClimate(**state["storms"])
            self.rain = StormClimate(**state["rain"])
            self.bank = _bank_from(state["bank"])
            self.bank_ms = int(state["bank_ms"])
            self.bin = Bin(**state["bin"]) if state["bin"] is not None else None
            self.cycles = int(state["cycles"])
            self.gauge_seen = bool(state["gauge_seen"])
            self.pending_rain_mm = float(state["pending_rain_mm"])
            self.expected_mm = {int(hour): float(mm) for hour, mm in state["expected_mm"]}
        except (KeyError, TypeError, ValueError) as error:
            raise SnapshotError(
                f"inflow state lacks or garbles {error}; start the site anew from its readings"
            ) from error
        return self


def _bank_from(packed: dict[str, Any] | None) -> Bank | None:
    if packed is None:
        return None
    mean, covariance = unpack_array(packed["mean"]), unpack_array(packed["covariance"])
    bank = Bank(grid(), mean[0], covariance[0])
    bank.mean, bank.covariance = mean, covariance
    bank.log_weight = unpack_array(packed["log_weight"])
    bank.surge_probability = float(packed["surge_probability"])
    bank.surge_w = float(packed["surge_w"])
    return bank


def _nearest(values: Array, wanted: float) -> float:
    """The value of the grid nearest on a log scale."""
    return float(values[np.argmin(np.abs(np.log(values / wanted)))])
