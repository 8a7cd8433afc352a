"""Several packs taken together as one: what they hold and may carry."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence

from forecaster.domain.site import NamedPack, Pack


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
