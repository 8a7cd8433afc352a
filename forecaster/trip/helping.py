"""What could be done before a trip: each a change of the house, after which the chance is worked out again."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from forecaster.trip.chance import WetFloor, wet_floor
from forecaster.trip.house import TripHouse, TripSpan

FULL_PERCENT = 95.0
"""A pack that usually stands at this charge or above gains too little from a higher limit [%]."""

RECENT_DAYS = 30.0
"""A pack that carried the pump within so many days needs no rehearsal."""

NEIGHBOUR_H = 2.0
"""How soon a neighbour is taken to be at the house [h]."""


@dataclass(frozen=True, slots=True)
class TripHelp:
    """A change, and the chance after it. what : str — key of CHANGES, and of the catalogue under `trip.help`."""

    what: str
    after: WetFloor


def _another_pack(house: TripHouse) -> TripHouse | None:
    twice = replace(house.pack, wh_per_percent=2.0 * house.pack.wh_per_percent)
    return replace(house, pack=twice)


def _charge_limit(house: TripHouse) -> TripHouse | None:
    if house.pack.charge_percent >= FULL_PERCENT:
        return None
    return replace(house, pack=replace(house.pack, charge_percent=100.0))


def _rehearsal(house: TripHouse) -> TripHouse | None:
    if house.pack.proven_days is not None and house.pack.proven_days <= RECENT_DAYS:
        return None
    return replace(house, pack=replace(house.pack, proven_days=0.0, carried=house.pack.carried + 1))


def _new_float(house: TripHouse) -> TripHouse | None:
    return replace(house, new_float=True)


def _cleaned(house: TripHouse) -> TripHouse | None:
    return replace(house, pump_wear=1.0) if house.pump_wear > 1.0 else None


def _second_pump(house: TripHouse) -> TripHouse | None:
    return replace(house, pumps=2)


def _neighbour(house: TripHouse) -> TripHouse | None:
    if house.reach_h and min(house.reach_h) <= NEIGHBOUR_H:
        return None
    return replace(house, reach_h=(*house.reach_h, NEIGHBOUR_H))


def _generator(house: TripHouse) -> TripHouse | None:
    return replace(house, generator=True) if house.reach_h else None


CHANGES: dict[str, Callable[[TripHouse], TripHouse | None]] = {
    "another-pack": _another_pack,
    "charge-limit": _charge_limit,
    "rehearsal": _rehearsal,
    "new-float": _new_float,
    "pump-cleaned": _cleaned,
    "second-pump": _second_pump,
    "neighbour": _neighbour,
    "generator": _generator,
}
"""Each change by its key: gives the changed house, or None where the change does not apply."""


def helps(house: TripHouse, span: TripSpan) -> tuple[TripHelp, ...]:
    """Every change that applies, with the chance after it, the lowest median chance first."""
    changed = {what: change(house) for what, change in CHANGES.items()}
    found = [TripHelp(what, wet_floor(after, span)) for what, after in changed.items() if after is not None]
    return tuple(sorted(found, key=lambda one: (one.after.quantiles()[1], one.what)))
