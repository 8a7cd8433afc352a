"""The models of one site, updated by evidence: how much water comes, and what the pack holds."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from typing import Any

from forecaster.domain.quantities import Quantity
from forecaster.domain.site import Site
from forecaster.engine.evidence import Began, Clipped, Drained, Ended, Evidence, Healed, PumpSpan, RainSpan, Warmth
from forecaster.engine.led import ChargeLed
from forecaster.pack.belief import PackBelief
from forecaster.pack.chargeline import COST, IDLE, LOADS
from forecaster.pack.charging import Charging
from forecaster.pack.nameplate import running_spread, running_w
from forecaster.water.inflow import Inflow

_METERED = (Quantity.PUMP_POWER, Quantity.PUMP_ENERGY)
_METERED_SPREAD = 0.01
_CURRENT_SPREAD = 0.08
_CLIPPED_SPREAD = 0.08
_NEW_PUMP_SPREAD = 0.4
"""How much more or less energy another pump may need for the same water, relative (common practice, no source)."""

_COLUMNS = {"losses": COST, "idle": IDLE, "loads": LOADS}
"""The unknowns of the pack's belief by the part of the site file that their prior comes from."""


def energy_spread(site: Site) -> float:
    """Relative uncertainty of the scale of plug energies, by what the site's channels measure."""
    if any(site.has(quantity) for quantity in _METERED):
        return _METERED_SPREAD
    if site.has(Quantity.PUMP_CURRENT):
        return _CURRENT_SPREAD
    return 0.05 if site.has(Quantity.PACK_OUTPUT_POWER) else running_spread(site.pump)


@dataclass(slots=True)
class Models:
    """The inflow and pack models of one site, and the pump's running power by the nameplate [W].

    led : ChargeLed — what the charge tells of the pump's energy, where it tells more than the pump's samples
    borrows : bool — whether the inflow is that of other models, which must not change: it is copied before it hears
    """

    inflow: Inflow
    belief: PackBelief
    plate_w: float
    charging: Charging
    led: ChargeLed = field(default_factory=ChargeLed)
    borrows: bool = False

    @classmethod
    def of(cls, site: Site) -> Models:
        """Models with beliefs from the site file alone."""
        belief = _belief_of(site)
        charging = Charging(site.latitude, site.longitude)
        return cls(Inflow(site.pump, site.pit), belief, running_w(site.pump), charging)

    def copy(self) -> Models:
        """Independent copies of these models."""
        return Models(self.inflow.copy(), self.belief.copy(), self.plate_w, replace(self.charging), replace(self.led))

    def lent(self) -> Models:
        """Copies for one forecast, to be used before these models hear anything: most hear nothing of the pump."""
        charging, led = replace(self.charging), replace(self.led)
        return Models(self.inflow, self.belief.copy(), self.plate_w, charging, led, borrows=True)

    def _own_inflow(self) -> Inflow:
        if self.borrows:
            self.inflow, self.borrows = self.inflow.copy(), False
        return self.inflow

    def settle(self) -> None:
        """Compute now what copies of these models can share; it changes no knowledge."""
        self.inflow.settle()
        self.belief.settle()

    def hear(self, evidence: Iterable[Evidence]) -> None:
        """Take evidence in order."""
        belief = self.belief
        for told in evidence:
            match told:
                case PumpSpan():
                    belief.seen(told.start_ms)
                    if self.led.admits(told):
                        self._pumped(told)
                case Drained():
                    self._drained(told)
                case Healed():
                    if not self.led.leads:  # else the late samples caught runs by chance too
                        belief.heal(told.course, told.unheard_wh, told.lump_wh)
                case RainSpan():
                    self._own_inflow().observe_rain(told.start_ms, told.stop_ms, told.depth_mm)
                case Began():
                    self.led = ChargeLed()
                    self.charging.count(told.at_ms, 0.0, begins=True)
                    if told.charge_percent is None or told.spread_percent is None:
                        belief.begin(told.at_ms, told.charge_percent)
                    else:
                        belief.begin_reckoned(
                            told.at_ms, told.charge_percent, told.spread_percent, told.reported_percent
                        )
                case Ended():
                    belief.end(told.at_ms)
                    self.led = ChargeLed()
                case Warmth():
                    belief.temperature_c = told.temperature_c
                case Clipped():
                    excess = max(math.log(self.plate_w / told.shown_w), 0.0)
                    belief.doubt_energy(excess / 2.0, excess / 3.0 + _CLIPPED_SPREAD)

    def _pumped(self, span: PumpSpan) -> None:
        self._own_inflow().observe(span.start_ms, span.stop_ms, span.energy_wh, span.lump_wh, span.ends_wh)

    def _drained(self, told: Drained) -> None:
        """Take the course of a discharge. Where the charge leads, the pump counts as unheard: its energy is booked as
        the charge tells it, so that what it told of the pump is not told of the pack as well.
        """
        span = self.led.take(told, self.belief)
        if span is not None:
            self._pumped(span)
        if self.led.leads:
            booked_wh = self.led.booked_wh(told, self.inflow.median_w(told.at_ms))
            told = replace(told, plug_wh=0.0, lump_wh=0.0, unheard_wh=booked_wh, grain_wh=0.0, walk_wh=0.0)
        self.belief.observe(
            told.at_ms,
            told.charge_percent,
            told.plug_wh,
            told.elapsed_s,
            told.charging_wh,
            told.loads_wh,
            told.lump_wh,
            told.unheard_wh,
            newest_only=self.led.leads,
            grain_wh=told.grain_wh,
            walk_wh=told.walk_wh,
        )
        self.charging.count(told.at_ms, told.charging_wh)

    def begin_anew(self, site: Site, parts: tuple[str, ...]) -> None:
        """Reset or widen the beliefs that depend on changed parts of the site file."""
        if "pack" in parts:
            fresh = Models.of(site).belief
            fresh.discharge = self.belief.discharge
            fresh.temperature_c = self.belief.temperature_c
            self.belief = fresh
        columns = [column for part, column in _COLUMNS.items() if part in parts]
        self.belief.forget(columns)
        if "pump" in parts:
            self.plate_w = running_w(site.pump)
            self.inflow.running_w = self.plate_w
            self.inflow.doubt(_NEW_PUMP_SPREAD)

    def state(self) -> dict[str, Any]:
        """All that is known, for a snapshot."""
        return {
            "inflow": self.inflow.state(),
            "belief": self.belief.state(),
            "charging": self.charging.state(),
            "led": self.led.state(),
        }

    @classmethod
    def from_state(cls, site: Site, state: dict[str, Any]) -> Models:
        """The models that gave this state; SnapshotError where it cannot be read."""
        return cls(
            Inflow.from_state(site.pump, site.pit, state["inflow"]),
            _belief_of(site).taken_up(state["belief"]),
            running_w(site.pump),
            Charging.from_state(state["charging"]),
            ChargeLed(**state.get("led", {})),
        )


def _belief_of(site: Site) -> PackBelief:
    return PackBelief(site.pack, site.loads, energy_spread=energy_spread(site), running_w=running_w(site.pump))
