"""How much water is coming, inferred from the pump's energy, and how it will recede."""

from __future__ import annotations

from copy import copy
from dataclasses import asdict, replace
from typing import Any

import numpy as np
from scipy.special import ndtri

from forecaster.domain.errors import FitError, SnapshotError
from forecaster.domain.site import Pit, Pump
from forecaster.domain.status import Spread
from forecaster.domain.times import HOUR_MS
from forecaster.maths.arrays import Array, Single, pack_array, summed_along, unpack_array
from forecaster.maths.conformal import Backtest
from forecaster.maths.mixture import mixture_quantiles
from forecaster.maths.noise import normals, seed_from
from forecaster.pack.nameplate import running_w
from forecaster.water.ahead import WIDENED_H, Known
from forecaster.water.bankstate import bank_from
from forecaster.water.catches import SUDDEN, Catches
from forecaster.water.cycle_noise import CycleNoise
from forecaster.water.design import LEAST_STORMS, Response
from forecaster.water.expected import relax_wh
from forecaster.water.outflow import drawn_from
from forecaster.water.rain import RainRecord
from forecaster.water.recession import WOBBLE, Bank, Candidates, Surge, grid
from forecaster.water.refit import finer
from forecaster.water.seasonal import SeasonStudy
from forecaster.water.span_bin import Bin
from forecaster.water.storms import STORM_H, StormClimate
from forecaster.water.unheard import unheard_w

BIN_H = 0.2
"""Spans are collected to this length before they are given to the filters [h]."""

STORM_RUNNING_H, STORM_MM = 2.5, 9.0
"""A storm brings this many hours of pumping, and this much rain, before any was seen (common practice, no source)."""

GAUGE_MISSES = 0.03
"""Share of surges left to chance where rain is measured: gauge and ground are not in one place."""

HISTORY_H = 24.0 * 21.0
HISTORY_BIN_H = 0.8
SHORTEST_HISTORY_H = 48.0
"""How much is kept for refits, how finely, and how much a refit needs [h]."""

VERSION = 4


class Inflow:
    """A belief about the pump's mean power now and ahead: update it with spans of whole cycles, then read it.

    running_w : float — power while running [W], the nameplate's until it is measured; the mean cannot exceed it
    season : SeasonStudy | None — what the long record lets expect of later days; None: it does not tell
    """

    def __init__(self, pump: Pump, pit: Pit) -> None:
        self.pit = pit
        self.running_w = running_w(pump)
        self.noise, self.catches = CycleNoise(), Catches()
        self.storms = StormClimate(prior_size=STORM_RUNNING_H * self.running_w)
        self.rain = StormClimate(prior_size=STORM_MM)
        self.record = RainRecord()
        self.bank: Bank | None = None
        self.bank_ms = 0
        self.bin: Bin | None = None
        self.cycles = 0
        self.gauge_seen = False
        self.candidates = grid()
        self.season: SeasonStudy | None = None
        self.backtest = Backtest()
        self.history: list[list[float]] = []
        self._folded_in: tuple[tuple[object, ...], Bank] | None = None

    def observe(
        self, start_ms: int, stop_ms: int, energy_wh: float, lump_wh: float = 0.0, ends_wh: float = 0.0
    ) -> None:
        """Pump energy at the plug [Wh] over [start_ms, stop_ms): whole cycles; ordered, not overlapping.

        lump_wh, ends_wh : float — for windows that do not hold whole cycles, as in PumpSpan [Wh]
        """
        if stop_ms <= start_ms:
            return
        self.cycles += 1
        strays_wh = self.catches.take(start_ms, stop_ms, energy_wh, lump_wh, self.running_w)
        new, held = Bin(start_ms, stop_ms, energy_wh, 1, strays_wh, ends_wh, SUDDEN * lump_wh), self.bin
        if held is not None and (start_ms - held.stop_ms > 2_000 or new.whole_cycles != held.whole_cycles):
            self._flush()
            self.noise.interrupt()
            held = None
        if new.whole_cycles:
            self.noise.update(new.mean_w)
        self.bin = new if held is None else held.joined(new)
        if self.bin.span_h >= BIN_H:
            self._flush()

    def observe_rain(self, start_ms: int, stop_ms: int, depth_mm: float) -> None:
        """Rain that fell over a span [mm]; 0 is a reading too."""
        self.gauge_seen = True
        self.record.fall(start_ms, stop_ms, depth_mm)
        self.rain.watch(max(stop_ms - start_ms, 0) / HOUR_MS, depth_mm)

    def expect_rain(self, hour_ms: int, depth_mm: float) -> None:
        """Rain forecast for the hour that starts at hour_ms [mm]; a later forecast replaces an earlier one."""
        self.record.expected_mm[hour_ms] = depth_mm

    def _flush(self) -> None:
        if self.bin is None:
            return
        held, rain_mm = self.bin, self.record.reached_mm
        self.bank = self._folded(self.bank, held)
        self._remember(held, rain_mm)
        self.record.take()
        self.record.forget(self.bin.stop_ms)
        if not self.gauge_seen:
            raining = self.bank.rain_w > 0.03 * self.storms.mean_size / STORM_H
            self.storms.watch(self.bin.span_h, self.bank.rain_w * self.bin.span_h if raining else 0.0)
        self.bank_ms = held.stop_ms
        self.bin = None
        self.backtest.watch(held.start_ms, held.stop_ms, held.energy_wh)
        if self.backtest.due(held.stop_ms):
            self._give_ranges(held)

    def _remember(self, held: Bin, rain_mm: float) -> None:
        """Keep a bin for refits: short ones are merged into the last, the oldest are dropped."""
        last = self.history[-1] if self.history else None
        kind = [held.most_wh, held.ends_wh]
        row = [float(held.start_ms), float(held.stop_ms), held.energy_wh, float(held.cycles), rain_mm, *kind]
        if last is not None and last[1] == row[0] and last[5:] == kind and row[1] - last[0] <= HISTORY_BIN_H * HOUR_MS:
            self.history[-1] = [last[0], row[1], *(a + b for a, b in zip(last[2:5], row[2:5], strict=True)), *kind]
            return
        self.history.append(row)
        oldest = held.stop_ms - HISTORY_H * HOUR_MS
        if self.history[0][1] < oldest - 24.0 * HOUR_MS:
            self.history = [kept for kept in self.history if kept[1] >= oldest]

    def _give_ranges(self, held: Bin) -> None:
        """Record ranges for the coming hours, to be compared with what comes, at the resolution of the measurement."""
        now_ms = held.stop_ms
        ahead_h = np.linspace(0.0, Backtest.AHEAD_H[-1], 25)
        paths = self.draw_ahead(now_ms, ahead_h * 3600.0, 64, np.random.default_rng(now_ms // 1000), storms=False)
        for hours in Backtest.AHEAD_H:
            column = int(np.searchsorted(ahead_h, hours))
            low, middle, high = np.quantile(paths[:, column], [0.1, 0.5, 0.9])
            seen_wh = float(ndtri(0.9) * np.sqrt(held.lump_wh * middle + held.ends_wh**2))
            low, high = middle - np.hypot(middle - low, seen_wh), middle + np.hypot(high - middle, seen_wh)
            self.backtest.give(now_ms, float(low), float(high), hours)

    @property
    def widening(self) -> float:
        """Factor by which the spread of the water is stretched, from backtests on the site's own history."""
        return self.backtest.conformal.widening

    def _folded(self, bank: Bank | None, held: Bin) -> Bank:
        """The bank with one bin taken in; the bank given is left as it was."""
        mean_w = held.mean_w
        if bank is None:
            new = self._first(held.first_w)
            new.observe(mean_w, held.variances_w2(self.noise, held.first_w, self.running_w)[0], held.span_h)
            return new
        new = copy(bank)
        level = max(new.level_w, 0.002 * self.running_w)
        if self.record.reached_mm > 0.0 and not new.has_gains:
            new.add_gains(self.storms.mean_size / self.rain.mean_size)
        span_h = max((held.stop_ms - self.bank_ms) / HOUR_MS, held.span_h)
        new.predict(span_h, level, self.record.reached_mm / span_h)
        rate = self.storms.rate_per_h * (GAUGE_MISSES if self.gauge_seen else 1.0)
        begins, ends = (float(-np.expm1(-chance * span_h)) for chance in (rate, 1.0 / STORM_H))
        own, sudden = held.variances_w2(self.noise, max(new.level_w, level), self.running_w)
        new.observe(mean_w, own, held.span_h, Surge(begins, ends, self.storms.mean_size / STORM_H, sudden))
        return new

    def _first(self, mean_w: float) -> Bank:
        """A bank before its first bin: any split between base and reservoirs is possible, and so is rain."""
        mean = mean_w * np.array([0.28, 0.24, 0.24, 0.24, 0.0, 0.1])
        spread = mean_w * np.array([0.3, 0.4, 0.4, 0.4, 0.0, 0.4])
        bank = Bank(self.candidates, mean, np.diag(spread**2))
        bank.covariance[:, WOBBLE, WOBBLE] = (bank.candidates.wobble * mean_w) ** 2
        return bank

    def _present(self) -> tuple[Bank, int] | None:
        """The bank including the bin in progress, and its time; None before the first cycle."""
        if self.bin is None:
            return None if self.bank is None else (self.bank, self.bank_ms)
        storms, rain_mm = self.storms, self.record.reached_mm
        climate = (storms.rate_per_h, storms.mean_size, self.rain.mean_size)
        rests_on = (self.bin, self.bank, rain_mm, self.running_w, self.gauge_seen, climate)
        if self._folded_in is None or self._folded_in[0] != rests_on:
            self._folded_in = rests_on, self._folded(self.bank, self.bin)
        return self._folded_in[1], self.bin.stop_ms

    def settle(self) -> None:
        """Fold the bin in progress into the bank now, once for all copies that will be made."""
        self._present()

    def draw_ahead(
        self,
        now_ms: int,
        ahead_s: Array,
        draws: int,
        rng: np.random.Generator,
        *,
        storms: bool = True,
    ) -> Array:
        """`drawn_ahead` with a seed from a generator; the same state of it gives the same draws for one belief."""
        return self.drawn_ahead(now_ms, ahead_s, draws, seed_from(rng), storms=storms).astype(np.float64)

    def drawn_ahead(
        self,
        now_ms: int,
        ahead_s: Array,
        draws: int,
        seed: int,
        *,
        storms: bool = True,
        points: int | None = None,
        level_told: bool = False,
    ) -> Single:
        """Cumulative pump energy at the plug ahead [Wh], shape (draws, points), rising along it, 0 at ahead_s = 0.

        ahead_s : (T,) — rising, from 0 [s]
        points : int | None — how many of them are computed, from the first; their values do not depend on it
        storms : bool — whether storms that nobody announced may come
        level_told : bool — where nothing was heard of the pump: whether something else tells its mean power, so that
            the draws keep the usual one but for how it may change
        """
        every_h = ahead_s / 3600.0
        ahead_h = every_h[:points]
        present = self._present()
        if present is None:
            level_w = unheard_w(self.running_w, normals(seed, draws, 1)[:, 0], told=level_told)
            return np.asarray(level_w[:, None] * ahead_h, dtype=np.float32)
        untaken_mm = self.record.reached_mm if self.bin is None else 0.0
        known = Known(*present, self.record, untaken_mm, self.storms, self.rain, self.gauge_seen, self.widening)
        computed = max(ahead_h.size, int(np.searchsorted(every_h, WIDENED_H)) + 1)
        rise = known.rises_wh(now_ms, every_h, draws, seed, storms=storms, points=min(computed, every_h.size))
        rise = rise[:, : ahead_h.size - 1]
        if self.season is not None:
            relax_wh(rise, self.season.belief, self.running_w, now_ms, ahead_h, seed)
        np.minimum(rise, (self.running_w * np.diff(ahead_h)).astype(np.float32), out=rise)
        return summed_along(rise)

    def mean_w(self, now_ms: int) -> Spread:
        """Mean power of the pump over its cycles, now [W]: 5, 50 and 95 % points; count of cycles it rests on."""
        present = self._present()
        if present is None:
            low, middle, high = unheard_w(self.running_w, np.array([-1.645, 0.0, 1.645])).tolist()
            return Spread(low, middle, high, 0)
        low, middle, high = _means_w(*present, now_ms, (0.05, 0.5, 0.95))
        return Spread(low, middle, high, self.cycles)

    def median_w(self, now_ms: int) -> float:
        """The median of `mean_w` [W], without the work for its ends."""
        present = self._present()
        if present is None:
            return float(unheard_w(self.running_w, np.zeros(1))[0])
        return _means_w(*present, now_ms, (0.5,))[0]

    def doubt(self, spread: float) -> None:
        """Widen all levels at once by a relative spread, because the water may now take another energy."""
        self._flush()
        if self.bank is not None:
            bank = copy(self.bank)
            bank.covariance = bank.covariance + spread**2 * bank.mean[:, :, None] * bank.mean[:, None, :]
            self.bank = bank

    def halving_h(self, now_ms: int) -> float | None:
        """Hours in which the expected inflow halves without new rain [h]; None when it does not within 30 days."""
        present = self._present()
        if present is None:
            return None
        bank, at_ms = present
        return bank.halving_h(max(now_ms - at_ms, 0) / HOUR_MS)

    def response(self, draws: int, seed: int) -> Response | None:
        """How the pit answers rain, as learnt so far; None where a gauge has not shown LEAST_STORMS storms."""
        present = self._present()
        if present is None or self.rain.storms < LEAST_STORMS:
            return None
        return Response.of(drawn_from(present[0], seed, draws), self.running_w, self.rain.storms)

    def refit(self, now_ms: int) -> None:
        """Tune the site's constants on its own history; heavy. FitError where it cannot.

        A finer bank around the present one's result is run over the history and replaces it. With less than two days of
        history nothing changes.
        """
        if self.bank is None or not self.history:
            return
        rows = [row for row in self.history if row[1] <= now_ms]
        if sum(row[1] - row[0] for row in rows) < SHORTEST_HISTORY_H * HOUR_MS:
            return
        fresh = self._anew(finer(self.bank.candidates, self.bank.weights))
        for start_ms, stop_ms, energy_wh, cycles, rain_mm, lump_wh, ends_wh in rows:
            fresh.record.reached_mm = rain_mm
            held = Bin(int(start_ms), int(stop_ms), energy_wh, max(int(cycles), 1), lump_wh, ends_wh)
            fresh.bank = fresh._folded(fresh.bank, held)
            fresh.bank_ms = held.stop_ms
        tuned = fresh.bank
        level = self.bank.level_w
        if tuned is None or not np.isfinite(tuned.mean).all() or not np.isfinite(tuned.covariance).all():
            raise FitError("the refit of the recession ran out of bounds; the site's former constants stay in force")
        if not 0.3 * level <= tuned.level_w <= 3.0 * max(level, 0.01 * self.running_w):
            raise FitError("the refit of the recession misses the present inflow; the former constants stay in force")
        self.candidates, self.bank = tuned.candidates, tuned

    def _anew(self, candidates: Candidates) -> Inflow:
        """An inflow that keeps the site's noise and climate, but knows no water yet."""
        fresh = self.copy()
        fresh.bank, fresh.bin, fresh.candidates = None, None, candidates
        return fresh

    def copy(self) -> Inflow:
        """An independent copy of this belief; cheap."""
        other = copy(self)
        other.noise, other.catches = replace(self.noise), replace(self.catches)
        other.storms, other.rain = replace(self.storms), replace(self.rain)
        other.history = list(self.history)
        other.backtest = replace(
            self.backtest, conformal=replace(self.backtest.conformal), pending=list(self.backtest.pending)
        )
        other.record = replace(self.record, expected_mm=dict(self.record.expected_mm))
        return other

    def state(self) -> dict[str, object]:
        """All that is known, for a snapshot."""
        bank = None
        if self.bank is not None:
            bank = {
                "mean": pack_array(self.bank.mean),
                "covariance": pack_array(self.bank.covariance),
                "log_weight": pack_array(self.bank.log_weight),
            }
        return {
            "version": VERSION,
            "running_w": self.running_w,
            "noise": asdict(self.noise),
            "catches": asdict(self.catches),
            "storms": asdict(self.storms),
            "rain": asdict(self.rain),
            "bank": bank,
            "bank_ms": self.bank_ms,
            "bin": asdict(self.bin) if self.bin is not None else None,
            "cycles": self.cycles,
            "season": None if self.season is None else self.season.document(),
            "gauge_seen": self.gauge_seen,
            "candidates": {
                "tau_h": pack_array(self.candidates.tau_h),
                "wobble": pack_array(self.candidates.wobble),
                "wobble_h": pack_array(self.candidates.wobble_h),
                "log_prior": pack_array(self.candidates.log_prior),
            },
            "backtest": asdict(self.backtest),
            "history": pack_array(np.array(self.history, dtype=np.float64).reshape(-1, 7)),
            "record": {
                **asdict(self.record),
                "expected_mm": [list(t) for t in sorted(self.record.expected_mm.items())],
            },
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
            self.catches = Catches(**state.get("catches", {}))
            self.storms = StormClimate(**state["storms"])
            self.rain = StormClimate(**state["rain"])
            self.candidates = Candidates(**{name: unpack_array(a) for name, a in state["candidates"].items()})
            self.bank = bank_from(state["bank"], self.candidates)
            self.backtest = Backtest.from_state(state["backtest"])
            self.history = unpack_array(state["history"]).tolist()
            self.bank_ms = int(state["bank_ms"])
            self.bin = Bin(**state["bin"]) if state["bin"] is not None else None
            self.cycles = int(state["cycles"])
            self.gauge_seen = bool(state["gauge_seen"])
            season = state.get("season")
            self.season = None if season is None else SeasonStudy.of(season)
            expected = {int(hour): float(mm) for hour, mm in state["record"]["expected_mm"]}
            self.record = RainRecord(**{**state["record"], "expected_mm": expected})
        except (KeyError, TypeError, ValueError) as error:
            raise SnapshotError(
                f"inflow state lacks or garbles {error}; start the site anew from its readings"
            ) from error
        return self


def _means_w(bank: Bank, at_ms: int, now_ms: int, levels: tuple[float, ...]) -> list[float]:
    """Mean power by a bank of a time, at a later one [W], at each level; never below a twentieth of its present one."""
    middle_w, spread_w = bank.levels_w(max(now_ms - at_ms, 0) / HOUR_MS)
    least_w = 0.05 * bank.level_w
    return [max(found_w, least_w) for found_w in mixture_quantiles(middle_w, spread_w, bank.weights, levels)]
