"""Hours to the reserve floor from a described rhythm, by the same arithmetic as the live forecast.

Beliefs about the pack, the drain that follows, and the moment at which the drain first reaches the floor.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from typing import Literal

import numpy as np

from forecaster.domain.forecast import Quantiles
from forecaster.domain.site import Load, Pack, Site
from forecaster.engine.reserve import ahead_grid_s, cumulative_drain_wh, first_passage, quantiles
from forecaster.maths.arrays import Array
from forecaster.maths.noise import normals, seeds_of, uniforms
from forecaster.pack.belief import PackBelief
from forecaster.pack.draws import PackDraws
from forecaster.sizing.battery import Margins
from forecaster.sizing.question import Question
from forecaster.sizing.terms import Band, Step, number
from forecaster.texts.catalogue import Figure, Said
from forecaster.water.inflow import Inflow

DRAWS = 2000
"""Number of equally likely futures. A sizing is computed once, so it can afford more than the live forecast."""

RHYTHM_DOUBT = 0.15
"""Log-standard deviation of a rhythm that a person described and that is taken to stay. Common practice, no source."""

SEED = 20


@dataclass(frozen=True, slots=True)
class Situation:
    """All that the hours follow from.

    pack : PackDraws — beliefs about the pack with margins applied, (draws,) each
    pump_wh : (draws, T) — cumulative pump energy at the plug ahead [Wh]
    ahead_s : (T,) — times ahead [s], rising from 0
    other : Situation | None — of a second pump on a pack of its own, as if it lifted all the water; None: there is none
    together : bool — whether the water needs both of these pumps; else the other one lifts after the first
    charging_wh : (draws, T) | None — cumulative energy into its battery ahead [Wh]; None: nothing charges
    """

    pack: PackDraws
    pump_wh: Array
    ahead_s: Array
    other: Situation | None = None
    together: bool = False
    charging_wh: Array | None = None

    @property
    def drain_wh(self) -> Array:
        """Energy drawn from the battery ahead [Wh], (draws, T)."""
        return np.asarray(cumulative_drain_wh(self.pump_wh, self.pack, self.ahead_s), dtype=np.float64)


Lasting = Callable[..., Array]
"""What gives the hours to the reserve floor [h], (draws,), as `hours` does."""


def hours(situation: Situation, charging_wh: Array | None = None) -> Array:
    """Hours to the reserve floor [h], (draws,); inf where it is not reached on the grid.

    charging_wh : (draws, T) | None — cumulative energy into the battery ahead [Wh]; None: nothing charges
    """
    return _passage(situation, charging_wh, "to_reserve_wh")


def _passage(situation: Situation, charging_wh: Array | None, floor: Literal["to_reserve_wh", "to_empty_wh"]) -> Array:
    """Hours to a floor [h], (draws,). Of two pumps on packs of their own the first one lifts until its pack is empty,
    then the other one down to the floor of both packs together; where the water needs both, until either is there.
    """
    ahead_s, other = situation.ahead_s, situation.other
    drain = cumulative_drain_wh(situation.pump_wh, situation.pack, ahead_s, charging_wh)
    if other is None:
        return first_passage(drain, getattr(situation.pack, floor), ahead_s)
    if situation.together:
        alone = first_passage(drain, getattr(situation.pack, floor), ahead_s)
        return np.minimum(alone, _passage(other, other.charging_wh, floor))
    whole_wh = getattr(situation.pack, floor) + getattr(other.pack, floor)
    own_wh = np.minimum(situation.pack.to_empty_wh, whole_wh)
    end_h = first_passage(drain, own_wh, ahead_s)
    lifted = np.maximum(other.pump_wh - at_h(other.pump_wh, end_h, ahead_s)[:, None], 0.0)
    drain = cumulative_drain_wh(lifted, other.pack, ahead_s, other.charging_wh)
    return np.maximum(end_h, first_passage(drain, whole_wh - own_wh, ahead_s))


def at_h(paths: Array, hours: Array, ahead_s: Array) -> Array:
    """Each of the paths (draws, T) at a time of its own [h], (draws,); at the end for what lies beyond."""
    at_s = np.minimum(hours * 3600.0, ahead_s[-1])
    after = np.clip(np.searchsorted(ahead_s, at_s), 1, ahead_s.size - 1)
    rows, part = np.arange(paths.shape[0]), (at_s - ahead_s[after - 1]) / (ahead_s[after] - ahead_s[after - 1])
    low = paths[rows, after - 1]
    return np.asarray(low + part * (paths[rows, after] - low))


def hours_to_empty(situation: Situation) -> Quantiles:
    """Hours until no energy is left [h]."""
    return quantiles(_passage(situation, None, "to_empty_wh"))


def pack_draws(
    pack: Pack, loads: tuple[Load, ...], charge_percent: float, margins: Margins, running_w: float | None
) -> PackDraws:
    """What the live forecast believes of a pack before anything was measured on it, (DRAWS,) each, with margins.

    charge_percent : float — charge at the start [%], 0..100
    running_w : float | None — the pump's running power at the plug [W]; None: no pump
    """
    belief = PackBelief(pack, loads, running_w=running_w)
    belief.temperature_c = margins.temperature_c
    drawn = belief.draw(DRAWS, seeds_of(SEED, 1)[0], charge_percent)
    return replace(
        drawn,
        capacity_wh=drawn.capacity_wh * margins.age,
        to_reserve_wh=drawn.to_reserve_wh * margins.age,
        to_empty_wh=drawn.to_empty_wh * margins.age,
        to_full_wh=drawn.to_full_wh * margins.age,
    )


def triangular(band: Band, uniform: Array) -> Array:
    """Draws from the triangular distribution over low, mid and high of a band, in its unit.

    uniform : array — uniforms in (0, 1), of any shape, which is also the shape of the draws
    """
    if band.single:
        return np.full(uniform.shape, band.mid)
    width, left = band.high - band.low, band.mid - band.low
    below = uniform < left / width
    rising = band.low + np.sqrt(uniform * width * left)
    falling = band.high - np.sqrt((1.0 - uniform) * width * (band.high - band.mid))
    return np.where(below, rising, falling)


def described_pump_wh(running: Band, duty: float, ahead_s: Array, draws: int = DRAWS) -> Array:
    """Cumulative pump energy at the plug [Wh], (draws, T), for a rhythm that a person described and that stays.

    running : Band — running power [W]
    duty : float — share of time that the pump runs, 0..1
    ahead_s : (T,) — times ahead [s]
    """
    watts = triangular(running, uniforms(SEED, draws, 1)[:, 0])
    shares = np.minimum(duty * np.exp(RHYTHM_DOUBT * normals(SEED + 1, draws, 1)[:, 0]), 1.0)
    return np.asarray((watts * shares)[:, None] * (ahead_s / 3600.0), dtype=np.float64)


def prior_pump_wh(site: Site, ahead_s: Array, draws: int = DRAWS) -> Array:
    """Cumulative pump energy at the plug [Wh], (draws, T), as the live forecast believes before it has seen a cycle.

    ahead_s : (T,) — times ahead [s]
    """
    return Inflow(site.pump, site.pit).draw_ahead(0, ahead_s, draws, np.random.default_rng(SEED))


def duty_of(question: Question) -> float | None:
    """Share of time that the pump runs, 0..1: cycles an hour x run length / 3600; None without a described rhythm."""
    if question.cycles_per_hour is None or question.run_s is None:
        return None
    return min(1.0, question.cycles_per_hour * question.run_s / 3600.0)


def situation(
    site: Site, question: Question, running: Band | None, margins: Margins, mean_w: float | None = None
) -> Situation:
    """The situation of a question: at `mean_w`, else in the described rhythm, else as the live forecast would begin.

    running : Band | None — running power at the plug [W]; None: no pump
    mean_w : float | None — mean pump power to assume instead of the described rhythm [W]
    """
    ahead_s = ahead_grid_s()
    middle_w = running.mid if running is not None else None
    drawn = pack_draws(site.pack, site.loads, question.charge_percent, margins, middle_w)
    duty = duty_of(question)
    if running is None:
        pump_wh = np.zeros((DRAWS, ahead_s.size))
    elif mean_w is not None:
        pump_wh = described_pump_wh(running, min(1.0, mean_w / running.mid), ahead_s)
    elif duty is not None:
        pump_wh = described_pump_wh(running, duty, ahead_s)
    else:
        pump_wh = prior_pump_wh(site, ahead_s)
    return Situation(drawn, pump_wh, ahead_s)


@dataclass(frozen=True, slots=True)
class Central:
    """The arithmetic at the median of every belief, for a person to follow.

    hours : float — usable energy over drain [h]
    drain_w : float — mean power from the battery [W]
    """

    hours: float
    drain_w: float
    steps: tuple[Step, ...]


def central(
    held: Situation,
    pump_mean_w: float,
    capacity_wh: float,
    charge_percent: float,
    reserve: float,
    fast_drain: float = 1.0,
) -> Central:
    """Usable energy over mean drain, line by line, at median beliefs.

    pump_mean_w : float — mean pump power at the plug [W]
    capacity_wh : float — median capacity with margins [Wh]
    charge_percent, reserve : float — charge at the start, and the reserve floor [%]
    fast_drain : float — part of the believed losses that is the battery's fast drain, not the inverter's, at least 1
    """
    efficiency, idle = float(np.median(held.pack.efficiency)), float(np.median(held.pack.idle_w))
    loads = float(np.median(held.pack.loads_w))
    usable = capacity_wh * (charge_percent - reserve) / 100.0
    pump_dc, loads_dc = pump_mean_w / efficiency, loads / efficiency
    drain = pump_dc + loads_dc + idle
    lasting = usable / drain
    from_battery = partial(_through_inverter, efficiency=efficiency, fast_drain=fast_drain)
    usable_from = Said(
        "size.from.usable",
        wh=number(capacity_wh), charge=Figure(f"{charge_percent:g}"), reserve=Figure(f"{reserve:g}"),
    )  # fmt: skip
    nonstop = Said("size.from.nonstop", wh=number(usable), watts=number(drain))
    steps = [
        Step(Said("size.step.capacity"), Said("size.from.capacity"), capacity_wh, "Wh"),
        Step(Said("size.step.usable"), usable_from, usable, "Wh"),
        Step(Said("size.step.pump_dc"), from_battery(pump_mean_w), pump_dc, "W"),
        *([Step(Said("size.step.loads_dc"), from_battery(loads), loads_dc, "W")] if loads else []),
        Step(Said("size.step.idle"), Said("size.from.idle"), idle, "W"),
        Step(Said("size.step.drain"), Said("size.from.drain"), drain, "W"),
        Step(Said("size.step.middle_hours"), nonstop, lasting, "h"),
    ]
    return Central(lasting, drain, tuple(steps))


def _through_inverter(watts: float, efficiency: float, fast_drain: float) -> Said:
    """The formula, in words, by which power at the plug becomes power from the battery [W]."""
    key = "size.from.inverter" if fast_drain == 1.0 else "size.from.inverter_fast"
    return Said(key, watts=number(watts), share=number(efficiency * fast_drain), cost=number(fast_drain))


def runtime_h(
    capacity_wh: float, depth: float, running_w: float, run_s: float, cycles_per_hour: float,
    efficiency: float, idle_w: float, loads_w: float = 0.0,
) -> float:  # fmt: skip
    """Hours [h] where every value is known: capacity x depth / ((run energy x cycles + loads) / efficiency + idle).

    capacity_wh : float — [Wh]
    depth : float — share of the capacity that is used, 0..1
    running_w, run_s, cycles_per_hour : float — the pump's power at the plug [W], run length [s] and starts [1/h]
    efficiency, idle_w : float — of the inverter, 0..1, and what it takes at no load [W]
    loads_w : float — mean power of the other loads at the outlet [W]
    """
    pump = running_w * run_s * cycles_per_hour / 3600.0
    return capacity_wh * depth / ((pump + loads_w) / efficiency + idle_w)
