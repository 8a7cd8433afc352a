"""From the pump's plug to the battery: a joint belief about everything in between, refined by the reported charge."""

from __future__ import annotations

from collections.abc import Sequence
from copy import copy
from dataclasses import fields, replace
from math import isnan
from typing import Any

import numpy as np

from forecaster.domain.discharge import DischargeResult
from forecaster.domain.errors import SnapshotError
from forecaster.domain.site import Load, Pack
from forecaster.domain.times import DAY_MS, HOUR_MS
from forecaster.maths.arrays import Array, pack_array, unpack_array
from forecaster.pack.battery import PEUKERT, RESTED, peukert_drain, temperature_factor
from forecaster.pack.chargeline import (
    BOW,
    CAPACITY,
    COST,
    IDLE,
    LOADS,
    ROUNDING_PRIOR,
    SHARED,
    ChargeContext,
    ChargeSteps,
    Posterior,
    Row,
)
from forecaster.pack.doubt import costlier, doubted
from forecaster.pack.draws import Discharge, PackDraws
from forecaster.pack.gauged import Shown, by_gauge, unknowns
from forecaster.pack.meanings import jumps, senses, weighed
from forecaster.pack.stray import SCALE_PRIOR, remembered

VERSION = 2

READS = (1, VERSION)
"""Versions of a belief's state that can be read."""

CAPACITY_OF_NAMEPLATE, CAPACITY_SPREAD = 0.94, 0.07
EFFICIENCY, EFFICIENCY_SPREAD = 0.87, 0.06
IDLE_W, IDLE_SPREAD = 9.0, 0.45
IDLE_SPREAD_GIVEN = 0.3
LOADS_SPREAD = 0.25
BOW_SPREAD, SKEW_SPREAD = 0.08, 0.05
"""Prior beliefs, spreads on a log scale where positive (common practice, no source): usable over nameplate capacity,
inverter efficiency, idle draw [W], other loads over what the owner wrote, bow and skew of the reported charge (a
quarter of the bow is its error at half charge)."""

SWING = 0.3
"""Deviation of a cycling load's energy from its mean, as a share of one run's energy: that of a saw-tooth."""

WIDEST_STEP_PERCENT = 34.0
"""Widest step of a gauge, that of three bars [%]: until a step was seen, a charge that stands tells no more."""

_KEPT = 3
"""Cached posteriors: of the settled state, of the present, and of a discharge that would begin now."""

AGEING_PER_MONTH = 0.01
"""Random walk of log capacity; the other parts drift at half of it (common practice: 20 % in some years)."""


class PackBelief:
    """A belief about one pack that is kept across outages: `begin`, `observe`, `end`; `draw` at any time.

    energy_spread : float — relative spread of the scale of the plug energies (0.01 for a meter; 0.1 where they are
        run lengths times nameplate watts)
    """

    def __init__(
        self, pack: Pack, loads: Sequence[Load] = (), *, energy_spread: float = 0.01, running_w: float | None = None
    ) -> None:
        self.pack = pack
        self.listed_loads_w = sum(load.mean_w for load in loads)
        self.swing_wh = SWING * sum(load.watts * load.run_s / 3600.0 for load in loads if load.run_s is not None)
        self._plate = _prior(pack, energy_spread, running_w)
        self.mean, self.covariance = self._plate
        self.clipped = [0.0, 0.0]
        self.rounding, self.scale = ROUNDING_PRIOR.copy(), SCALE_PRIOR.copy()
        self.step_percent, self.step_seen = 1.0, False
        self.temperature_c: float | None = None
        self.discharge: Discharge | None = None
        self.last_end_ms: int | None = None
        self.outages = 0
        self._worked_out: dict[tuple[object, ...], Posterior] = {}

    def begin(self, at_ms: int, charge_percent: float | None) -> None:
        """Begin a discharge: the pack carries the pump from now on.

        at_ms : int — UTC milliseconds
        charge_percent : float | None — the charge last reported [%], 0..100; None: nothing reports it, taken for full
        """
        self.covariance = self._aged(at_ms)
        self.discharge = Discharge(at_ms)
        self._start(self.discharge, charge_percent)

    def seen(self, at_ms: int) -> None:
        """The pack is in use, UTC milliseconds: from then on it ages, where nothing has measured it since."""
        if self.last_end_ms is None:
            self.last_end_ms = at_ms

    def _aged(self, at_ms: int) -> Array:
        """The covariance at a time [UTC ms]: wider the longer nothing has measured the pack."""
        if self.last_end_ms is None:
            return self.covariance
        months = max(at_ms - self.last_end_ms, 0) / HOUR_MS / 730.0
        walk = np.full(SHARED, (AGEING_PER_MONTH / 2.0) ** 2 * months)
        walk[CAPACITY] *= 4.0
        walk[BOW] *= 0.1
        return self.covariance + np.diag(walk)

    def untested(self, now_ms: int) -> PackBelief:
        """This belief as it would begin a discharge now, in whole days since the pack was last measured [UTC ms]."""
        if self.discharge is not None or self.last_end_ms is None or now_ms - self.last_end_ms < DAY_MS:
            return self
        days = (now_ms - self.last_end_ms) // DAY_MS
        aged = self.copy()
        aged.covariance = self._aged(self.last_end_ms + days * DAY_MS)
        return aged

    def begin_reckoned(self, at_ms: int, percent: float, spread: float, reported_percent: float | None) -> None:
        """Begin a discharge at a charge that was computed, not read.

        percent, spread : float — charge and its standard deviation [%]
        reported_percent : float | None — the charge reported then, from which changes are counted [%]
        """
        self.begin(at_ms, percent)
        assert self.discharge is not None
        self.discharge.evidence.start(percent, spread)
        self.discharge.charge_percent = reported_percent

    def _start(self, now: Discharge, charge_percent: float | None) -> None:
        now.charge_percent = now.evidence.start_percent = charge_percent

    def observe(
        self,
        at_ms: int,
        charge_percent: float | None,
        plug_wh: float,
        elapsed_s: float,
        charging_wh: float = 0.0,
        loads_wh: float | None = None,
        lump_wh: float = 0.0,
        unheard_wh: float = 0.0,
        *,
        newest_only: bool = False,
        grain_wh: float = 0.0,
        walk_wh: float = 0.0,
    ) -> None:
        """Take what was counted since `begin`, at a time.

        charge_percent : float | None — reported charge [%], None where this moment brings no reading of it
        plug_wh : float — cumulative pump energy at the plug [Wh]
        elapsed_s : float — time since begin [s]
        charging_wh : float — cumulative energy into the pack [Wh]
        loads_wh : float | None — cumulative energy of other loads at the outlet where measured [Wh]
        lump_wh : float — what one sample of the running pump adds to plug_wh where its runs are caught by chance [Wh]
        unheard_wh : float — estimated for the pump while it was not heard, in addition to plug_wh [Wh]
        newest_only : bool — the estimate rests on the charge itself, so that only the sum up to now is compared with it
        grain_wh, walk_wh : float — how far plug_wh may be off at this moment alone, and on and on, as in `Row` [Wh]
        """
        if self.discharge is None:
            self.begin(at_ms - round(elapsed_s * 1000.0), charge_percent)
        now = self.discharge
        assert now is not None
        row = Row(plug_wh, loads_wh, elapsed_s / 3600.0, charging_wh, lump_wh, unheard_wh, grain_wh, walk_wh)
        if charge_percent is not None:
            self._take_charge(now, charge_percent, row)
            if newest_only:
                now.evidence.keep_newest()
        now.at_ms, now.plug_wh, now.loads_wh, now.elapsed_h = at_ms, plug_wh, loads_wh, row.hours
        now.charging_wh, now.unheard_wh = charging_wh, unheard_wh

    def heal(self, course: Sequence[tuple[float, float]], unheard_wh: float, lump_wh: float = 0.0) -> None:
        """Put what late readings tell of the pump in place of what had been booked for it while it was not heard.

        course : pairs of float — seconds since `begin`, and cumulative energy at the plug by then [Wh], both rising
        unheard_wh : float — what stays booked for the time before the first of them [Wh]
        lump_wh : float — of what they tell, as in `observe` [Wh]
        """
        if self.discharge is not None:
            hours, plug_wh = np.array(course).T
            self.discharge.evidence.heal(hours / 3600.0, plug_wh, unheard_wh, lump_wh)

    def _take_charge(self, now: Discharge, charge_percent: float, row: Row) -> None:
        before = now.charge_percent
        if before is None:
            self._start(now, charge_percent)
            return
        if charge_percent == before:
            now.evidence.wait(row)
            return
        moved = abs(charge_percent - before)
        if not self.step_seen or moved < self.step_percent - 1e-9:
            self.step_percent = moved if not self.step_seen else min(moved, self.step_percent)
            self.step_percent = min(max(self.step_percent, 0.01), WIDEST_STEP_PERCENT)
            self.step_seen = True
        now.evidence.change(row, before, charge_percent, self.step_percent)
        now.charge_percent = charge_percent

    def end(self, at_ms: int) -> None:
        """End the discharge because the mains is back, and keep what was learnt. at_ms : int — UTC milliseconds"""
        if self.discharge is not None:
            if self.discharge.evidence.changes:
                self.outages += 1
                known = self._posterior(self.discharge)
                self.rounding, self.scale = np.maximum(known.rounding, 1e-6), remembered(known.scale)
                self.mean, self.covariance = _mixed(known)
            self.discharge = None
        self.last_end_ms = at_ms

    @property
    def plate(self) -> tuple[Array, Array]:
        """Mean and covariance before anything was seen, by the nameplate."""
        return self._plate

    @property
    def factor(self) -> float:
        """Capacity at the pack's temperature over that at 25 °C, 0..1; 1 where no temperature is measured."""
        return 1.0 if self.temperature_c is None else temperature_factor(self.temperature_c, self.pack.chemistry)

    def _known(self, now: Discharge) -> Posterior:
        """The posterior; it is computed again only after new evidence, once for this belief and its copies."""
        seen = now.evidence
        own = tuple(part.tobytes() for part in (self.mean, self.covariance, self.rounding, self.scale))
        start = (seen.start_percent, seen.start_spread)
        rows = tuple(seen.edges), tuple(map(tuple, seen.rows))
        key = (rows, start, seen.lump_wh, seen.walk_wh, self.step_percent, self.factor, own)
        known = self._worked_out.get(key)
        if known is None:
            if len(self._worked_out) >= _KEPT:
                self._worked_out.clear()
            known = self._worked_out[key] = self._posterior(now)
        return known

    def settle(self) -> None:
        """Compute the posterior now, once for all copies that will be made; it changes no knowledge."""
        if self.discharge is not None:
            self._known(self.discharge)

    def _posterior(self, now: Discharge) -> Posterior:
        weight, seen, floor = np.outer(self.rounding, self.scale).ravel(), now.evidence, self.pack.reserve_percent
        scene = ChargeContext(self.listed_loads_w, self.swing_wh, self.factor, self.step_percent, floor)
        capacity, _, idle = np.exp(self.mean[:LOADS])
        jumped = jumps(seen, self.step_percent, capacity * self.factor, idle, self.listed_loads_w)
        listed = self.listed_loads_w > 0.0 and any(isnan(row[1]) for row in seen.rows or [[0.0, np.nan]])
        return weighed(senses(seen, jumped), self.mean, self.covariance, weight, scene, loads_listed=listed)

    def draw(self, draws: int, seed: int, charge_percent: float | None = None, *, unread: bool = False) -> PackDraws:
        """Joint draws of the belief at the time of the newest observe.

        charge_percent : float | None — on mains: the charge [%] the pack would start from, None for full
        unread : bool — the gauge is silent: the charge is counted down from where it was last read
        """
        now = self.discharge
        if now is None:
            now = Discharge(0)
            self._start(now, charge_percent)
        known_step = self.step_seen or now.elapsed_h <= 0.0
        step_percent = self.step_percent if known_step else WIDEST_STEP_PERCENT
        shown = Shown(now.charge_percent, step_percent, self.pack.reserve_percent)
        read = now.when_read() if unread else now
        mixed = unknowns(self._known(now), seed, draws)
        drawn = by_gauge(mixed, shown, now, read, self.listed_loads_w, self.factor, seed)
        if now.charge_percent is None or now.elapsed_h <= 0.0:
            return drawn
        plate, floor = costlier(self._plate, *self.clipped), self.pack.reserve_percent
        return doubted(drawn, now, plate, self.factor, floor, seed, step_percent, self.listed_loads_w)

    def adopt(self, result: DischargeResult, at_ms: int | None = None) -> None:
        """Take over what a discharge test left: its joint belief where nothing was learnt here yet, else each number.

        at_ms : int | None — when the test ended, UTC milliseconds: from then on the pack is untested
        The joint belief keeps what single numbers do not: which sums of losses and capacity the test determined.
        """
        if at_ms is not None:
            self.covariance = self._aged(at_ms)
            self.last_end_ms = max(at_ms, self.last_end_ms or at_ms)
        if self.outages == 0 and result.belief_mean is not None and result.belief_covariance is not None:
            mean = np.asarray(result.belief_mean, dtype=np.float64)
            covariance = np.asarray(result.belief_covariance, dtype=np.float64)
            if mean.shape == (SHARED,) and covariance.shape == (SHARED * SHARED,):
                self.mean, self.covariance = mean, covariance.reshape(SHARED, SHARED)
                return
        for column, triple, invert in (
            (CAPACITY, result.capacity_wh, False),
            (IDLE, result.idle_w, False),
            (COST, result.inverter_efficiency, True),
        ):
            if triple is None or min(triple) <= 0.0:
                continue
            low, middle, high = np.log(triple)
            spread = max((high - low) / 2.563, 0.005)
            self._measure(column, -middle if invert else middle, spread)

    def _measure(self, column: int, value: float, spread: float) -> None:
        gain = self.covariance[:, column] / (self.covariance[column, column] + spread**2)
        self.mean = self.mean + gain * (value - self.mean[column])
        self.covariance = self.covariance - np.outer(gain, self.covariance[column])

    def forget(self, columns: Sequence[int]) -> None:
        """Reset some unknowns of the pack to the site file's priors; the others stay as learnt."""
        plate_mean, plate_covariance = self._plate
        self.mean, self.covariance = self.mean.copy(), self.covariance.copy()
        for column in columns:
            self.covariance[column, :] = self.covariance[:, column] = 0.0
            self.covariance[column, column] = plate_covariance[column, column]
            self.mean[column] = plate_mean[column]
        self.clipped = [0.0, 0.0] if COST in columns else self.clipped

    def copy(self) -> PackBelief:
        """An independent copy of this belief; cheap, because both share what is already computed."""
        other = copy(self)
        if self.discharge is not None:
            other.discharge = replace(self.discharge, evidence=self.discharge.evidence.copy())
        return other

    def doubt_energy(self, log_shift: float, log_spread: float) -> None:
        """Plug energies are too low by about exp(log_shift ± log_spread), because power was clipped: allow for it."""
        self.clipped = [log_shift, log_spread]
        self.mean, self.covariance = costlier((self.mean, self.covariance), *self.clipped)

    def state(self) -> dict[str, object]:
        """All that is known, for a snapshot; its lists are the belief's own."""
        now = self.discharge
        return {
            "version": VERSION,
            "mean": pack_array(self.mean),
            "covariance": pack_array(self.covariance),
            "rounding": pack_array(self.rounding),
            "scale": pack_array(self.scale),
            "step_percent": self.step_percent,
            "step_seen": self.step_seen,
            "temperature_c": self.temperature_c,
            "discharge": None if now is None else {**_fields(now), "evidence": _fields(now.evidence)},
            "last_end_ms": self.last_end_ms,
            "outages": self.outages,
            "clipped": self.clipped,
        }

    def taken_up(self, state: dict[str, Any]) -> PackBelief:
        """This belief with the state of another one. SnapshotError where that cannot be read."""
        if state.get("version") not in READS:
            raise SnapshotError(f"pack state of version {state.get('version')}, expected {VERSION}; start anew")
        try:
            self.mean, self.covariance = unpack_array(state["mean"]), unpack_array(state["covariance"])
            self.rounding = unpack_array(state["rounding"])
            if "scale" in state:
                self.scale = unpack_array(state["scale"])
            self.step_percent = float(state["step_percent"])
            self.step_seen = bool(state["step_seen"])
            self.temperature_c = None if state["temperature_c"] is None else float(state["temperature_c"])
            self.last_end_ms = None if state["last_end_ms"] is None else int(state["last_end_ms"])
            self.outages = int(state["outages"])
            self.clipped = [float(part) for part in state.get("clipped", self.clipped)]
            packed = state["discharge"]
            if packed is not None:
                packed = dict(packed)
                evidence = ChargeSteps.of(packed.pop("evidence"))
                self.discharge = Discharge(evidence=evidence, **packed)
        except (KeyError, TypeError, ValueError) as error:
            raise SnapshotError(f"pack state lacks or garbles {error}; start anew from its readings") from error
        return self


def _fields(of: Discharge | ChargeSteps) -> dict[str, object]:
    """The fields by name, not copied, because the evidence of a day is long."""
    return {field.name: getattr(of, field.name) for field in fields(of)}


def _prior(pack: Pack, energy_spread: float, running_w: float | None) -> tuple[Array, Array]:
    """Mean and covariance of the belief before anything was seen, in the unknowns of chargeline."""
    cost = -np.log(pack.inverter_efficiency if pack.inverter_efficiency is not None else EFFICIENCY)
    cost_spread = np.hypot(EFFICIENCY_SPREAD, energy_spread)
    exponent = PEUKERT[pack.chemistry]
    if exponent > 1.0 and running_w is not None:
        peukert = np.log(max(1.0, peukert_drain(running_w, pack.nominal_wh, exponent=exponent)))
        cost += RESTED * peukert
        cost_spread = np.hypot(cost_spread, 0.3 * peukert)
    idle = pack.idle_w if pack.idle_w is not None else IDLE_W
    idle_spread = IDLE_SPREAD_GIVEN if pack.idle_w is not None else IDLE_SPREAD
    mean = np.array([np.log(pack.nominal_wh * CAPACITY_OF_NAMEPLATE), cost, np.log(max(idle, 0.1)), 0.0, 0.0, 0.0])
    spread = np.array([CAPACITY_SPREAD, cost_spread, idle_spread, LOADS_SPREAD, BOW_SPREAD, SKEW_SPREAD])
    return mean, np.diag(spread**2)


def _mixed(known: Posterior) -> tuple[Array, Array]:
    """Mean and covariance of the pack's own unknowns, mixed over the roundings."""
    mean, covariance = known.mean[:, :SHARED], known.covariance[:, :SHARED, :SHARED]
    middle = known.weight @ mean
    away = mean - middle
    spread = np.einsum("h,hij->ij", known.weight, covariance) + np.einsum("h,hi,hj->ij", known.weight, away, away)
    return np.asarray(middle), np.asarray(spread)
