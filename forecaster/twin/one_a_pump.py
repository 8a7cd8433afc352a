"""Two pumps in one pit of a simulated house, each on a pack of its own: neither pack helps the other one's pump.

A pump whose pack is empty, or has tripped, is without power until the mains is back, and the other one lifts by itself.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import reduce

import numpy as np

from forecaster.domain.runs import Supply
from forecaster.twin.bank import BankTruth
from forecaster.twin.electric import NOTHING, Energy, Profile, added, discharge, pump_profile, recharge
from forecaster.twin.house import House, OutageTruth, SupplySpan, cut
from forecaster.twin.pair import SECOND, PairTruth, Spans, pair_runs
from forecaster.twin.parameters import PackTruth, TwinParameters

Parts = dict[str, tuple[House, TwinParameters]]
Dead = tuple[Spans, Spans]
"""When each pump is without power while the mains is away [s]."""


def with_a_pack_each(
    house: House, truth: TwinParameters, pair: PairTruth, bank: BankTruth, rng: np.random.Generator
) -> tuple[House, Parts]:
    """The house as its first pump's sensors see it, and by id as those of the second pump and of each pack do.

    The first pack listed feeds the first pump and all other loads. Of an outage the truth is that of both packs
    together.
    """
    seed, dead = int(rng.integers(2**32)), _tripped(house, bank)
    while True:
        lived = _lived(house, truth, pair, bank, dead, seed)
        spent = _first_spent(house, lived, dead)
        if spent is None:
            return _told(house, truth, bank, lived)
        place, span_s = spent
        dead = ((*dead[0], span_s), dead[1]) if place == 0 else (dead[0], (*dead[1], span_s))


@dataclass(frozen=True, slots=True)
class _Lived:
    """A course of the house: of each pump its runs and plug, as a house; of each pack its truth, energy and output."""

    pumps: tuple[House, House]
    packs: tuple[PackTruth, ...]
    energies: tuple[Energy, ...]
    outputs: tuple[Profile, ...]


def _tripped(house: House, bank: BankTruth) -> Dead:
    """A pack that trips gives nothing until the mains is back."""
    if bank.trips is None:
        return (), ()
    name, at_s = bank.trips
    span = next(s for s in house.spans if s.supply is Supply.PACK and s.start_s <= at_s < s.stop_s)
    hit: Spans = ((at_s, span.stop_s),)
    return (hit, ()) if name == next(iter(bank.shares)) else ((), hit)


def _lived(house: House, truth: TwinParameters, pair: PairTruth, bank: BankTruth, dead: Dead, seed: int) -> _Lived:
    """A course of the house. The same seed gives the same course up to where the times without power differ."""
    made = [np.random.default_rng([seed, of]) for of in range(3)]
    first, second, level_m = pair_runs(house, truth.pit, truth.pump, pair, made[0], dead)
    plugs = pump_profile(first, truth.pump, made[1]), pump_profile(second, pair.pump, made[2])
    outputs = added([plugs[0], *house.loads]), plugs[1]
    powered = []
    for output, spans_s in zip(outputs, dead, strict=True):
        powered.append(reduce(lambda left, span_s: cut(left, *span_s), spans_s, output))
    packs = tuple(_part(truth.pack, share) for share in bank.shares.values())
    tripped, trip_s = bank.trips or ("", None)
    trips = [trip_s if name == tripped else None for name in bank.shares]
    energies = tuple(
        _energy(pack, output, sun, house.spans, at_s)
        for pack, output, sun, at_s in zip(packs, powered, (house.sun, NOTHING), trips, strict=True)
    )
    pumps = replace(house, runs=first, pump=plugs[0], level_m=level_m), replace(house, runs=second, pump=plugs[1])
    return _Lived(pumps, packs, energies, tuple(powered))


def _part(pack: PackTruth, share: float) -> PackTruth:
    """A pack with a share of all the energy, of the charging power and of the idle draw."""
    inverter = replace(pack.inverter, pso_w=pack.inverter.pso_w * share)
    return replace(pack, capacity_wh=pack.capacity_wh * share, charge_w=pack.charge_w * share, inverter=inverter)


def _energy(
    pack: PackTruth, output: Profile, sun: Profile, spans: tuple[SupplySpan, ...], trip_s: float | None
) -> Energy:
    """What is left in one pack; from a trip [s] until the mains is back it keeps what it has."""
    left_wh, parts = pack.capacity_wh, []
    for span in spans:
        if span.supply is Supply.MAINS:
            part = recharge(pack, span.start_s, span.stop_s, left_wh)
        elif trip_s is not None and span.start_s <= trip_s < span.stop_s:
            part = discharge(pack, output, sun, span.start_s, trip_s, left_wh)
            kept_wh = part.left_wh[-1]
            part = Energy(np.append(part.times_s, span.stop_s), np.append(part.left_wh, kept_wh))
        else:
            part = discharge(pack, output, sun, span.start_s, span.stop_s, left_wh)
        parts.append(part)
        left_wh = float(part.left_wh[-1])
    return Energy.chained(parts)


def _first_spent(house: House, lived: _Lived, dead: Dead) -> tuple[int, tuple[float, float]] | None:
    """The place of the first pack that is found empty while its pump is taken to have power, from when, and until when
    the mains is away [s]; None: there is none."""
    found: list[tuple[float, int, float]] = []
    for place, energy in enumerate(lived.energies):
        for span in house.spans:
            if span.supply is Supply.MAINS or any(stop_s == span.stop_s for _, stop_s in dead[place]):
                continue
            inside = (energy.times_s >= span.start_s) & (energy.times_s < span.stop_s)
            empty_s = Energy(energy.times_s[inside], energy.left_wh[inside]).first_below_s(0.0)
            if empty_s is not None:
                found.append((empty_s, place, span.stop_s))
    if not found:
        return None
    empty_s, place, stop_s = min(found)
    return place, (empty_s, stop_s)


def _told(house: House, truth: TwinParameters, bank: BankTruth, lived: _Lived) -> tuple[House, Parts]:
    """A course as the sensors see it."""
    times = np.unique(np.concatenate([energy.times_s for energy in lived.energies]))
    whole = Energy(times, np.asarray(sum(energy.at(times) for energy in lived.energies)))
    outages = []
    for span in house.spans:
        if span.supply is Supply.PACK:
            inside = (times >= span.start_s) & (times <= span.stop_s)
            outages.append(OutageTruth.of(span, Energy(times[inside], whole.left_wh[inside]), truth.pack))
    output = added(list(lived.outputs))
    first, second = (replace(one, output=output, energy=whole, outages=tuple(outages)) for one in lived.pumps)
    parts: Parts = {SECOND: (second, truth)}
    for name, pack, energy, own in zip(bank.shares, lived.packs, lived.energies, lived.outputs, strict=True):
        parts[name] = replace(first, energy=energy, output=own), replace(truth, pack=pack)
    return first, parts
