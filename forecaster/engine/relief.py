"""What carries the pump for longer: energy brought into the pack, or a load taken off it, reckoned on a forecast."""

from __future__ import annotations

from dataclasses import dataclass

from forecaster.domain.forecast import Forecast, PackRole
from forecaster.domain.runs import Supply
from forecaster.domain.site import Load, Pack, Site
from forecaster.domain.times import HOUR_MS
from forecaster.engine.recharge import CHARGE_EFFICIENCY
from forecaster.pack.bank import loads_of

WANTED_H = 12.0
"""Hours that brought energy is to add, where the pack can take so much: a night, this project's choice [h]."""

LEAST_GAIN_H = 0.25
"""What taking a load off adds at least to be worth a word: this project's choice [h]."""


@dataclass(frozen=True, slots=True)
class Shed:
    """A load that may be switched off, and the hours that this adds to the middle of the range."""

    load: str
    gain_h: float


@dataclass(frozen=True, slots=True)
class Relief:
    """What helps on the pack.

    pack : str — the pack that it is brought into, where each of two pumps has its own; "": the one, or all of them
    by_ms : int — the early end of the range: energy must flow by then [UTC milliseconds]
    energy_wh : float — into the battery [Wh], no more than it holds between its reserve floor and full
    added_h : float — hours that this energy adds at the mean draw ahead
    generator_h : float | None — hours in which a generator puts it in; None where the charging power is not known
    sheds : loads that are not essential, the greatest gain first
    """

    pack: str
    by_ms: int
    energy_wh: float
    added_h: float
    generator_h: float | None
    sheds: tuple[Shed, ...]


def relief_of(site: Site, forecast: Forecast) -> Relief | None:
    """What helps a site that is on its pack; None on mains, and where the draw or the early end is not known."""
    early_h, mean_w = forecast.hours_remaining.p10, mean_draw_w(forecast)
    if forecast.supply is not Supply.PACK or early_h is None or mean_w is None:
        return None
    name, pack = charged(site, forecast)
    holds_wh = pack.nominal_wh * (1.0 - pack.reserve_percent / 100.0)
    energy_wh = min(WANTED_H * mean_w, holds_wh)
    charge_w = pack.charge_w
    return Relief(
        pack=name,
        by_ms=round(forecast.issued_at_ms + max(early_h, 0.0) * HOUR_MS),
        energy_wh=energy_wh,
        added_h=energy_wh / mean_w,
        generator_h=None if not charge_w else energy_wh / (CHARGE_EFFICIENCY * charge_w),
        sheds=sheds_of(site, forecast, mean_w),
    )


COUNTED = (PackRole.CARRYING, PackRole.WAITING)
"""What packs do whose energy carries a pump, the one that does first."""


def charged(site: Site, forecast: Forecast) -> tuple[str, Pack]:
    """The pack into which energy is brought, with its name: where each pump has its own, the one behind the pump that
    lifts. What is in the other one does not help that pump.
    """
    packs = {one.id: one.pack for one in site.packs}
    if site.pack_a_pump:
        for role in COUNTED:
            for one in forecast.packs:
                if one.role is role and one.id in packs:
                    return one.id, packs[one.id]
    return "", site.pack


def loads_counted(site: Site, forecast: Forecast) -> tuple[Load, ...]:
    """The other loads that draw on what carries a pump."""
    if not site.pack_a_pump:
        return site.loads
    roles = {one.id: one.role for one in forecast.packs}
    places = [place for place, one in enumerate(site.packs) if roles.get(one.id) in COUNTED]
    return tuple(load for place in places for load in loads_of(site, place))


def mean_draw_w(forecast: Forecast) -> float | None:
    """What leaves the battery on average until the floor is reached [W], net of what charges it; None: not known."""
    middle_h, usable_wh = forecast.hours_remaining.p50, forecast.usable_wh
    if middle_h is not None and usable_wh is not None and middle_h > 0.0 and usable_wh > 0.0:
        return usable_wh / middle_h
    return forecast.draw_w if forecast.draw_w is not None and forecast.draw_w > 0.0 else None


def sheds_of(site: Site, forecast: Forecast, mean_w: float) -> tuple[Shed, ...]:
    """Loads that may go: each with the hours it adds, as the same energy lasts longer at the smaller draw."""
    loads = loads_counted(site, forecast)
    total_w = sum(load.mean_w for load in loads)
    usable_wh, draw = forecast.usable_wh, forecast.draw
    if usable_wh is None or usable_wh <= 0.0 or draw is None or total_w <= 0.0:
        return ()
    found = []
    for load in loads:
        left_w = mean_w - draw.loads_w * load.mean_w / total_w
        if load.essential or left_w <= 0.0:
            continue
        gain_h = usable_wh / left_w - usable_wh / mean_w
        if gain_h >= LEAST_GAIN_H:
            found.append(Shed(load.name, gain_h))
    return tuple(sorted(found, key=lambda shed: -shed.gain_h))
