"""The simulated house: water, pump, loads and pack together, while mains and pack take turns as the supply."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from forecaster.domain.runs import Supply
from forecaster.maths.arrays import Array
from forecaster.twin.electric import (
    NOTHING,
    Energy,
    Profile,
    added,
    discharge,
    load_profile,
    pump_profile,
    recharge,
    sun_profile,
)
from forecaster.twin.parameters import PackTruth, TwinParameters
from forecaster.twin.water import InflowTruth, Runs, pump_runs


@dataclass(frozen=True, slots=True)
class SupplySpan:
    """A span with one supply, from start_s to stop_s [s]."""

    start_s: float
    stop_s: float
    supply: Supply


@dataclass(frozen=True, slots=True)
class OutageTruth:
    """What one span on the pack came to, all in seconds of the house.

    reserve_s, empty_s : float | None — when the reserve floor was reached, and when no energy was left; None: it did
        not come to that within the span
    """

    start_s: float
    stop_s: float
    reserve_s: float | None
    empty_s: float | None

    @staticmethod
    def of(span: SupplySpan, energy: Energy, pack: PackTruth) -> OutageTruth:
        """By the energy left in such a span."""
        reserve_s = energy.first_below_s(pack.energy_at_percent(pack.reserve_percent))
        return OutageTruth(span.start_s, span.stop_s, reserve_s, energy.first_below_s(0.0))


@dataclass(frozen=True, slots=True)
class House:
    """All that happened.

    runs : Runs — the pump's runs over all spans
    pump, output : Profile — power at the pump's plug, and of pump and loads together [W]
    loads : tuple[Profile, ...] — power of each other load [W]
    sun : Profile — charging power from the panel into the cells [W]
    energy : Energy — energy left in the pack
    level_m : times [s] and the water above the stop level then [m], of two pumps; None: it follows from the runs
    outages : tuple[OutageTruth, ...] — one for each span on the pack
    """

    spans: tuple[SupplySpan, ...]
    inflow: InflowTruth
    runs: Runs
    pump: Profile
    loads: tuple[Profile, ...]
    output: Profile
    sun: Profile
    energy: Energy
    outages: tuple[OutageTruth, ...]
    level_m: tuple[Array, Array] | None = None

    def on_pack(self, times_s: Array) -> Array:
        """1.0 at each time [s] at which the pack is the supply, else 0.0, in the shape of `times_s`."""
        edges = Profile(
            np.array([s.start_s for s in self.spans]),
            np.array([1.0 if s.supply is Supply.PACK else 0.0 for s in self.spans]),
        )
        return edges.at(times_s)


def _joined(parts: list[Runs]) -> Runs:
    """Runs of successive spans; a run that a change of supply did not interrupt stays one run."""
    starts: list[float] = []
    stops: list[float] = []
    for part in parts:
        for start, stop in zip(part.start_s.tolist(), part.stop_s.tolist(), strict=True):
            if stops and start - stops[-1] < 1e-6:
                stops[-1] = stop
            else:
                starts.append(start)
                stops.append(stop)
    return Runs(np.asarray(starts), np.asarray(stops), parts[-1].end_volume_l, parts[-1].running)


def cut(profile: Profile, at_s: float, until_s: float) -> Profile:
    """The profile with 0 in [at_s, until_s)."""
    if not profile.values.size:
        return profile
    keep = (profile.times_s < at_s) | (profile.times_s > until_s)
    again = profile.at(np.array([until_s]))
    times = np.concatenate([profile.times_s[keep], [at_s, until_s]])
    values = np.concatenate([profile.values[keep], [0.0], again])
    order = np.argsort(times, kind="stable")
    return Profile(times[order], values[order])


def _carry(
    truth: TwinParameters,
    span: SupplySpan,
    water: tuple[InflowTruth, float, bool],
    energy_wh: float,
    fixed: Profile,
    sun: Profile,
    rng: np.random.Generator,
) -> tuple[Runs, Profile, Energy, OutageTruth]:
    """A span on the pack, simulated as if the energy never ended and then cut where the pack runs empty.

    water — the inflow, the volume above the stop level at the start [L], and whether the pump is running then
    energy_wh : float — energy left at the start [Wh]
    fixed, sun : Profile — power of the other loads, and charging power into the cells [W]
    """
    inflow, volume, running = water
    runs = pump_runs(inflow, truth.pit, truth.pump, span.start_s, span.stop_s, volume, rng, running)
    pump = pump_profile(runs, truth.pump, rng)
    energy = discharge(truth.pack, added([pump, fixed]), sun, span.start_s, span.stop_s, energy_wh)
    outage = OutageTruth.of(span, energy, truth.pack)
    if (empty_s := outage.empty_s) is not None:
        runs = _stopped(runs, empty_s, span, inflow, truth)
        pump = cut(pump, empty_s, span.stop_s)
        keep = energy.times_s < empty_s
        energy = Energy(
            np.concatenate([energy.times_s[keep], [empty_s, span.stop_s]]),
            np.concatenate([energy.left_wh[keep], [0.0, 0.0]]),
        )
    return runs, pump, energy, outage


def _stopped(runs: Runs, empty_s: float, span: SupplySpan, inflow: InflowTruth, truth: TwinParameters) -> Runs:
    """Runs cut where the pack ran empty. The pit then fills, until at most the floor gets wet."""
    keep = runs.start_s < empty_s
    starts, stops = runs.start_s[keep], np.minimum(runs.stop_s[keep], empty_s)
    litres = truth.pit.area_m2 * 1000.0
    grid = inflow.start_s + 60.0 * np.arange(inflow.cumulative_l.size)
    came = float(np.interp(span.stop_s, grid, inflow.cumulative_l) - np.interp(empty_s, grid, inflow.cumulative_l))
    most = litres * (truth.pit.drawdown_m + truth.pit.freeboard_m)
    return Runs(starts, stops, min(0.5 * litres * truth.pit.drawdown_m + came, most), False)


def simulate(
    truth: TwinParameters,
    spans: tuple[SupplySpan, ...],
    inflow: InflowTruth,
    start_wh: float,
    origin_ms: int,
    rng: np.random.Generator,
) -> House:
    """Run the house through its spans, which follow one another without a break.

    start_wh : float — energy left at the first span's start [Wh]
    origin_ms : int — time 0 of the house's own seconds, UTC milliseconds
    """
    first_s, last_s = spans[0].start_s, spans[-1].stop_s
    loads = tuple(load_profile(load, first_s, last_s, rng) for load in truth.loads)
    fixed = added(list(loads)) if loads else NOTHING
    sun = sun_profile(truth.sun, first_s, last_s, origin_ms, rng) if truth.sun is not None else NOTHING
    volume = float(rng.uniform(0.0, 1.0)) * truth.pit.area_m2 * truth.pit.drawdown_m * 1000.0
    energy_wh, running = start_wh, False
    runs: list[Runs] = []
    pumps: list[Profile] = []
    energies: list[Energy] = []
    outages: list[OutageTruth] = []
    for span in spans:
        if span.supply is Supply.PACK:
            part, pump, energy, outage = _carry(truth, span, (inflow, volume, running), energy_wh, fixed, sun, rng)
            outages.append(outage)
            if outage.empty_s is not None:
                fixed = cut(fixed, outage.empty_s, span.stop_s)
                loads = tuple(cut(load, outage.empty_s, span.stop_s) for load in loads)
        else:
            part = pump_runs(inflow, truth.pit, truth.pump, span.start_s, span.stop_s, volume, rng, running)
            pump = pump_profile(part, truth.pump, rng)
            energy = recharge(truth.pack, span.start_s, span.stop_s, energy_wh)
        runs.append(part)
        pumps.append(pump)
        energies.append(energy)
        volume, running, energy_wh = part.end_volume_l, part.running, float(energy.left_wh[-1])
    pump = _chained(pumps)
    whole, output = Energy.chained(energies), added([pump, fixed])
    return House(spans, inflow, _joined(runs), pump, loads, output, sun, whole, tuple(outages))


def _chained(parts: list[Profile]) -> Profile:
    """Profiles of successive spans as one. Where two edges fall on one time, the later one is kept."""
    times = np.concatenate([p.times_s for p in parts])
    values = np.concatenate([p.values for p in parts])
    last = np.concatenate([np.diff(times) > 1e-9, [True]]) if times.size else np.zeros(0, dtype=bool)
    return Profile(times[last], values[last])
