"""Several packs in place of the one that a house was simulated with: the same energy, divided among them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

import numpy as np

from forecaster.domain.quantities import PACK_QUANTITIES
from forecaster.domain.runs import Supply
from forecaster.domain.site import Arrangement, NamedPack, Site
from forecaster.maths.arrays import Array
from forecaster.pack.bank import taken_together
from forecaster.twin.draw import channel_of
from forecaster.twin.electric import Energy, Profile
from forecaster.twin.house import House
from forecaster.twin.parameters import TwinParameters
from forecaster.twin.sensors import Sensor


@dataclass(frozen=True, slots=True)
class BankTruth:
    """The packs and how they carry.

    shares : by id, what each holds of all the energy, 0..1, in the order in which they are listed
    trips : tuple[str, float] | None — a pack whose output fails, and when [s of the house]: what it holds then stays in
        it until the mains is back. The house knows nothing of it, so its truth ends where the others are empty.
    """

    shares: Mapping[str, float]
    arrangement: Arrangement
    trips: tuple[str, float] | None = None


def banked(site: Site, bank: BankTruth, sensors: Iterable[Sensor]) -> Site:
    """The site file with its one pack divided, and channels for these sensors."""
    plate = site.pack
    packs = tuple(
        NamedPack(
            name,
            replace(
                plate,
                capacity_wh=round(plate.capacity_wh * share),
                charge_w=None if plate.charge_w is None else plate.charge_w * share,
                idle_w=None if plate.idle_w is None else plate.idle_w * share,
            ),
        )
        for name, share in bank.shares.items()
    )
    return replace(
        site,
        pack=taken_together(packs),
        packs=packs,
        arrangement=bank.arrangement,
        channels=tuple(channel_of(sensor) for sensor in sensors),
    )


def bank_sensors(sensors: Iterable[Sensor], bank: BankTruth) -> tuple[Sensor, ...]:
    """The sensors with those of the pack once for each of the packs."""
    found: list[Sensor] = []
    for sensor in sensors:
        if sensor.quantity in PACK_QUANTITIES:
            found += [replace(sensor, device=f"{sensor.device}-{name}", subject=name) for name in bank.shares]
        else:
            found.append(sensor)
    return tuple(found)


def each_pack(house: House, truth: TwinParameters, bank: BankTruth) -> dict[str, tuple[House, TwinParameters]]:
    """By id, the house and its truth as one of the packs sees them: its own energy and its own output."""
    times, whole = house.energy.times_s, house.energy.left_wh
    energies = _in_turn(whole, truth, bank) if bank.arrangement is Arrangement.IN_TURN else _parallel(whole, bank)
    carried = _carried(energies, house, bank)
    if bank.trips is not None:
        _trip(energies, carried, house, bank.trips)
    outputs = house.output
    found = {}
    for name, share in bank.shares.items():
        part = np.interp(outputs.times_s, times, carried[name])
        own = replace(
            house,
            energy=Energy(times, energies[name]),
            output=Profile(outputs.times_s, outputs.values * np.round(part, 6)),
        )
        pack = replace(truth.pack, capacity_wh=truth.pack.capacity_wh * share, charge_w=truth.pack.charge_w * share)
        found[name] = (own, replace(truth, pack=pack))
    return found


def _parallel(whole: Array, bank: BankTruth) -> dict[str, Array]:
    return {name: share * whole for name, share in bank.shares.items()}


def _in_turn(whole: Array, truth: TwinParameters, bank: BankTruth) -> dict[str, Array]:
    """The first listed is drawn from first, and charged last."""
    found: dict[str, Array] = {}
    below = truth.pack.capacity_wh
    for name, share in bank.shares.items():
        own = truth.pack.capacity_wh * share
        below -= own
        found[name] = np.clip(whole - below, 0.0, own)
    return found


def _carried(energies: Mapping[str, Array], house: House, bank: BankTruth) -> dict[str, Array]:
    """By id, the share of the output that each carries at the energy's times, 0..1."""
    if bank.arrangement is Arrangement.PARALLEL:
        return {name: np.full(house.energy.times_s.size, share) for name, share in bank.shares.items()}
    found: dict[str, Array] = {}
    rest = np.ones(house.energy.times_s.size)
    for name, left in energies.items():
        found[name] = np.where(left > 0.0, rest, 0.0)
        rest = rest - found[name]
    return found


def _trip(energies: dict[str, Array], carried: dict[str, Array], house: House, trips: tuple[str, float]) -> None:
    """From its failure to the end of that span a pack keeps its energy, and the others give what it had to."""
    name, at_s = trips
    times = house.energy.times_s
    span = next(s for s in house.spans if s.supply is Supply.PACK and s.start_s <= at_s < s.stop_s)
    during = (times >= at_s) & (times < span.stop_s)
    kept = float(np.interp(at_s, times, energies[name]))
    given = kept - energies[name][during]
    others = [other for other in energies if other != name]
    left = sum(float(np.interp(at_s, times, energies[other])) for other in others)
    for other in others:
        share = float(np.interp(at_s, times, energies[other])) / left
        energies[other][during] = np.maximum(energies[other][during] - share * given, 0.0)
        carried[other][during] += share * carried[name][during]
    energies[name][during], carried[name][during] = kept, 0.0
