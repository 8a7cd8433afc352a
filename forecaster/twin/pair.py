"""A second pump in the pit of a simulated house, at a higher float, and what follows when either fails."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from forecaster.domain.quantities import PUMP_QUANTITIES
from forecaster.domain.runs import Supply
from forecaster.domain.site import Driven, NamedPack, NamedPump, Pump, Site
from forecaster.maths.arrays import Array
from forecaster.twin.draw import channel_of
from forecaster.twin.electric import Energy, added, discharge, pump_profile, recharge
from forecaster.twin.house import House, OutageTruth
from forecaster.twin.parameters import PitTruth, PumpTruth, TwinParameters
from forecaster.twin.sensors import Sensor
from forecaster.twin.water import Runs
from forecaster.twin.weather import GRID_S

Spans = tuple[tuple[float, float], ...]
"""Stretches of time [s]."""

FIRST, SECOND = "main", "backup"
"""The names of the pumps."""


@dataclass(frozen=True, slots=True)
class PairTruth:
    """The second pump, and what befalls the two.

    starts_above_m : float — how much higher the water stands when it starts than when the first one does [m]
    first_fails_s, second_fails_s : float — when each is dead for good [s of the house]; inf: never
    The house is as if its pack were never empty: its truth ends there.
    """

    pump: PumpTruth
    plate: Pump
    starts_above_m: float = 0.1
    driven_by: Driven = Driven.PACK
    first_fails_s: float = math.inf
    second_fails_s: float = math.inf


def paired_site(site: Site, pair: PairTruth, sensors: Iterable[Sensor]) -> Site:
    """The site file with its pump and a second one, and channels for these sensors."""
    pumps = NamedPump(FIRST, site.pump), NamedPump(SECOND, pair.plate, pair.driven_by, pair.starts_above_m)
    return replace(
        site,
        pumps=pumps,
        packs=_hung(site.packs, pumps) if site.pack_a_pump else site.packs,
        channels=tuple(channel_of(sensor) for sensor in sensors),
    )


def _hung(packs: Iterable[NamedPack], pumps: Iterable[NamedPump]) -> tuple[NamedPack, ...]:
    """The packs, each with the pump that it feeds."""
    return tuple(replace(pack, pump=pump.id) for pack, pump in zip(packs, pumps, strict=True))


def pair_sensors(sensors: Iterable[Sensor]) -> tuple[Sensor, ...]:
    """The sensors, and those of the pump once more for the second one."""
    found = tuple(sensors)
    own = tuple(
        replace(one, device=f"{one.device}-{SECOND}", subject=SECOND)
        for one in found
        if one.quantity in PUMP_QUANTITIES
    )
    return (*found, *own)


def each_pump(house: House, truth: TwinParameters, pair: PairTruth, rng: np.random.Generator) -> tuple[House, House]:
    """The house with both pumps, and the same as the sensors of the second one see it."""
    first, second, level_m = pair_runs(house, truth.pit, truth.pump, pair, rng)
    power, other = pump_profile(first, truth.pump, rng), pump_profile(second, pair.pump, rng)
    drawn = [power, *house.loads, *((other,) if pair.driven_by is Driven.PACK else ())]
    output = added(drawn)
    energies: list[Energy] = []
    outages: list[OutageTruth] = []
    left_wh = float(house.energy.left_wh[0])
    for span in house.spans:
        if span.supply is Supply.MAINS:
            energies.append(recharge(truth.pack, span.start_s, span.stop_s, left_wh))
        else:
            energy = discharge(truth.pack, output, house.sun, span.start_s, span.stop_s, left_wh)
            outages.append(OutageTruth.of(span, energy, truth.pack))
            energies.append(energy)
        left_wh = float(energies[-1].left_wh[-1])
    whole, ends = Energy.chained(energies), tuple(outages)
    both = replace(house, runs=first, pump=power, output=output, energy=whole, outages=ends, level_m=level_m)
    return both, replace(both, runs=second, pump=other)


def pair_runs(
    house: House,
    pit: PitTruth,
    first: PumpTruth,
    pair: PairTruth,
    rng: np.random.Generator,
    without: tuple[Spans, Spans] = ((), ()),
) -> tuple[Runs, Runs, tuple[Array, Array]]:
    """Runs of both pumps over the whole house, and the water above the stop level [m] at times [s].

    Each switches on at its own float and both off at the stop level; the water stands no higher than the wet floor.
    without : when each has no power [s]
    """
    start_s, stop_s = house.spans[0].start_s, house.spans[-1].stop_s
    litres = pit.area_m2 * 1000.0
    pumps = (
        _Float(pit, 0.0, first.rate_l_per_min, (*without[0], (pair.first_fails_s, math.inf)), rng),
        _Float(pit, pair.starts_above_m, pair.pump.rate_l_per_min, (*without[1], (pair.second_fails_s, math.inf)), rng),
    )
    most = litres * (pit.drawdown_m + pit.freeboard_m)
    at_s, volume = start_s, float(rng.uniform(0.0, 1.0)) * pumps[0].on_l
    times, volumes = [at_s], [volume]
    while at_s < stop_s:
        for one in pumps:
            one.turn(at_s, volume)
        rate = float(house.inflow.l_per_min[house.inflow.index(at_s + 1e-6)]) - sum(one.lifts for one in pumps)
        edges_s = [stop_s, (math.floor(at_s / GRID_S + 1e-9) + 1.0) * GRID_S]
        edges_s += [edge_s for one in pumps for span_s in one.dead_s for edge_s in span_s if edge_s > at_s]
        levels_l = [level for one in pumps for level in one.levels_l(at_s)]
        ahead_s = [60.0 * (level - volume) / rate for level in levels_l if rate]
        next_s = min([*edges_s, *(at_s + ahead for ahead in ahead_s if ahead > 1e-6)])
        volume = min(volume + rate * (next_s - at_s) / 60.0, most)
        at_s = next_s
        times.append(at_s)
        volumes.append(volume)
    level_m = (np.asarray(times), np.maximum(volumes, 0.0) / litres)
    return pumps[0].runs(stop_s), pumps[1].runs(stop_s), level_m


class _Float:
    """A pump and its float: on from on_l [L] until the water is at off_l [L], which vary from cycle to cycle, and dead
    during dead_s [s]."""

    def __init__(
        self, pit: PitTruth, above_m: float, l_per_min: float, dead_s: Spans, rng: np.random.Generator
    ) -> None:
        self.dead_s, self.l_per_min = dead_s, l_per_min
        self.on = False
        self._pit, self._on_m, self._rng = pit, pit.drawdown_m + above_m, rng
        self._starts: list[float] = []
        self._stops: list[float] = []
        self._cycle()

    def _cycle(self) -> None:
        """The levels of the next cycle."""
        slop_on, slop_off = self._rng.normal(0.0, 1.0, 2).tolist()
        litres = 1000.0 * self._pit.area_m2
        self.on_l = litres * (self._on_m + self._pit.slop_on_m * slop_on)
        self.off_l = litres * self._pit.slop_off_m * slop_off

    @property
    def lifts(self) -> float:
        """What it lifts now [L/min]."""
        return self.l_per_min if self.on else 0.0

    def levels_l(self, at_s: float) -> list[float]:
        """The level at which it switches next [L]; nothing where it is dead at a time [s]."""
        return [] if self._dead(at_s) else [self.off_l if self.on else self.on_l]

    def _dead(self, at_s: float) -> bool:
        return any(start_s <= at_s < stop_s for start_s, stop_s in self.dead_s)

    def turn(self, at_s: float, volume: float) -> None:
        """Switch on or off at a time [s] by the water [L]."""
        on = not self._dead(at_s) and (volume > self.off_l + 1e-5 if self.on else volume >= self.on_l - 1e-5)
        if on is self.on:
            return
        (self._starts if on else self._stops).append(at_s)
        self.on = on
        if not on:
            self._cycle()

    def runs(self, stop_s: float) -> Runs:
        """The runs, the last one cut at a time [s]."""
        stops = [*self._stops, *([stop_s] if self.on else [])]
        return Runs(np.asarray(self._starts), np.asarray(stops), 0.0, self.on)
