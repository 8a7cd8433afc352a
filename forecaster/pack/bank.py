"""Several packs taken together as one: what they hold and may carry."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence

from forecaster.domain.site import Load, NamedPack, Pack, Site


def taken_together(packs: Sequence[NamedPack]) -> Pack:
    """The packs as one pack; what one of them does not state is not stated of all, but for the reserve.

    Energies, idle draws and charging powers add, and the reserve is that of the energy; so is it for packs that carry
    in turn, each of which idles while it waits. Ratings do not add: packs that carry in turn start the pump each by
    itself, and of packs side by side nothing says that they share a start. The least counts.
    """
    plates = [named.pack for named in packs]
    weights = [plate.nominal_wh for plate in plates]
    whole = sum(weights)

    def mean(values: Iterable[float]) -> float:
        return sum(value * weight for value, weight in zip(values, weights, strict=True)) / whole

    return Pack(
        capacity_wh=sum(plate.capacity_wh for plate in plates),
        continuous_w=_stated(min, [plate.continuous_w for plate in plates]),
        surge_w=_stated(min, [plate.surge_w for plate in plates]),
        continuous_va=_stated(min, [plate.continuous_va for plate in plates]),
        surge_s=_stated(min, [plate.surge_s for plate in plates]),
        output_voltage_v=plates[0].output_voltage_v,
        inverter_efficiency=_stated(mean, [plate.inverter_efficiency for plate in plates]),
        idle_w=_stated(sum, [plate.idle_w for plate in plates]),
        reserve_percent=mean(plate.reserve_percent for plate in plates),
        extra_capacity_wh=sum(plate.extra_capacity_wh for plate in plates),
        charge_w=_stated(sum, [plate.charge_w for plate in plates]),
        chemistry=plates[0].chemistry,
        price=_stated(sum, [plate.price for plate in plates]),
        output_frequency_hz=plates[0].output_frequency_hz,
        output_wave=plates[0].output_wave,
    )


def _stated(joined: Callable[[list[float]], float], values: Sequence[float | None]) -> float | None:
    """Values joined, where every pack states one."""
    known = [value for value in values if value is not None]
    return joined(known) if len(known) == len(values) else None


def pump_packs(site: Site) -> tuple[Pack, ...]:
    """The pack behind each pump: its own where it has one, else all packs taken together."""
    if site.pack_a_pump:
        return tuple(named.pack for named in site.packs)
    return (site.pack,) * max(len(site.pumps), 1)


def loads_of(site: Site, place: int) -> tuple[Load, ...]:
    """The other loads on the pack behind a pump, 0 for the first; all of them where the pumps share one."""
    if not site.pack_a_pump:
        return site.loads
    named = [name for one in site.packs for name in one.loads]
    own = site.packs[place].loads
    return tuple(one for one in site.loads if one.name in own or (place == 0 and one.name not in named))


def steady_shares(site: Site) -> tuple[tuple[float, float], ...]:
    """For packs that each feed a pump of their own: of each, its shares of all other loads and of all that the
    inverters take for themselves, 0..1.

    Inverters of which nothing is stated idle alike; loads that the site file does not list are on the first pack.
    """
    listed = [sum(load.mean_w for load in loads_of(site, place)) for place in range(len(site.packs))]
    idle = [named.pack.idle_w for named in site.packs]
    known = [0.0 if watts is None or None in idle else watts for watts in idle]
    loads = [watts / sum(listed) for watts in listed] if sum(listed) > 0.0 else [1.0, *[0.0] * (len(listed) - 1)]
    own = [watts / sum(known) for watts in known] if sum(known) > 0.0 else [1.0 / len(known)] * len(known)
    return tuple(zip(loads, own, strict=True))
