"""Sizing the other way round: the capacity for a number of hours, what would add hours, and packs compared."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from forecaster.domain.errors import UsageError
from forecaster.domain.forecast import HORIZON_H, Quantiles
from forecaster.domain.site import Pack, Site
from forecaster.engine.reserve import quantiles
from forecaster.maths.arrays import Array
from forecaster.pack.draws import PackDraws
from forecaster.sizing.panel import STORM_SKY, charging_wh
from forecaster.sizing.question import within
from forecaster.sizing.runtime import Lasting, Situation, at_h, hours
from forecaster.sizing.terms import Finding, number, share
from forecaster.texts.catalogue import Said

CHARGE_LOSSES = 0.9
"""Share of the charging power that is stored. Common practice, no source."""


@dataclass(frozen=True, slots=True)
class Change:
    """Changes to weigh: each field that is not None makes one what-if of its own.

    extra_wh : float | None — capacity of an expansion battery [Wh]
    idle_w : float | None — the inverter's idle draw instead of the present one [W]
    sun_w : float | None — rating of a solar panel [W]
    sky : float — share of the clear-sky light that reaches the panel, 0..1
    generator_h : float | None — how long a generator runs, once, when the pack has room for the charge [h]
    start_ms : int — moment from which the sun is followed, UTC milliseconds
    """

    extra_wh: float | None = None
    idle_w: float | None = None
    sun_w: float | None = None
    sky: float = STORM_SKY
    generator_h: float | None = None
    start_ms: int = 0


@dataclass(frozen=True, slots=True)
class WhatIf:
    """Hours remaining after a change, and the change in words.

    gained_h : float | None — how many hours the median gains [h]; None where it is not reached on the grid
    """

    name: str
    hours: Quantiles
    gained_h: float | None


@dataclass(frozen=True, slots=True)
class Need:
    """The nameplate capacity that lasts a number of hours with a chance, and the capacity described.

    hours : float — how long it has to last [h]
    probability : float — chance that it does, 0..1
    capacity_wh, described_wh : float — needed, and described in the site file [Wh]
    """

    hours: float
    probability: float
    capacity_wh: float
    described_wh: float

    @property
    def enough(self) -> bool:
        """Whether the described capacity is at least the one needed."""
        return self.described_wh >= self.capacity_wh


@dataclass(frozen=True, slots=True)
class PackOption:
    """One pack in a comparison.

    hours : Quantiles — hours to the reserve floor [h]
    price, price_per_hour : float | None — as the owner wrote it, and over the median hours; None where not known
    """

    name: str
    can_run: Finding
    can_start: Finding
    hours: Quantiles
    price: float | None
    price_per_hour: float | None


def check_change(change: Change) -> None:
    """Check that every change has a possible size. Errors: UsageError naming the field that is out of range."""
    within("extra_wh", change.extra_wh, 0.0, 1e6, "Wh")
    within("idle_w", change.idle_w, 0.0, 500.0, "W")
    within("sun_w", change.sun_w, 0.0, 100_000.0, "W")
    within("sky", change.sky, 0.0, 1.0, Said("usage.of_a_clear_sky"))
    within("generator_h", change.generator_h, 0.0, HORIZON_H, "h")


def capacity_needed(held: Situation, nominal_wh: float, lasting_h: float, probability: float) -> Need:
    """The nameplate capacity that lasts `lasting_h` hours: what each future needs, then the quantile of that.

    nominal_wh : float — nameplate capacity behind `held` [Wh]
    lasting_h : float — how long it has to last [h]
    probability : float — chance that it does, 0..1
    Errors: UsageError for more hours than the horizon.
    """
    if lasting_h > HORIZON_H:
        raise UsageError(
            Said("usage.for_hours_h_is_beyond_the", lasting_h=lasting_h, horizon_h=HORIZON_H),
            Said("usage.ask_for_fewer_hours"),
        )
    if held.other is not None:
        return Need(lasting_h, probability, nominal_wh * _scale_needed(held, lasting_h, probability), nominal_wh)
    at = held.ahead_s / 3600.0
    drained = np.array([float(np.interp(lasting_h, at, row)) for row in held.drain_wh])
    usable_share = held.pack.to_reserve_wh / nominal_wh
    need = float(np.quantile(drained / usable_share, probability))
    return Need(lasting_h, probability, need, nominal_wh)


MOST_SCALE, HALVINGS = 1000.0, 40
"""Packs are tried at up to so many times what they hold, and the factor is halved in so often."""


def _scale_needed(held: Situation, lasting_h: float, probability: float) -> float:
    """By how much all packs must be scaled to last so long; MOST_SCALE where no less does."""
    low, high = 0.0, MOST_SCALE
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        lasts = hours(_scaled_all(held, middle)) >= lasting_h
        low, high = (low, middle) if float(np.mean(lasts)) >= probability else (middle, high)
    return high


def _scaled_all(held: Situation, factor: float) -> Situation:
    other = None if held.other is None else _scaled_all(held.other, factor)
    return replace(held, pack=scaled(held.pack, factor), other=other)


def scaled(pack: PackDraws, factor: float) -> PackDraws:
    """A pack that holds so many times as much."""
    return replace(
        pack,
        to_reserve_wh=factor * pack.to_reserve_wh,
        to_empty_wh=factor * pack.to_empty_wh,
        to_full_wh=factor * pack.to_full_wh,
    )


def may_charge(pack: Pack, temperature_c: float | None) -> bool:
    """Whether a pack may be charged at the temperature where it stands [°C]: a lithium battery not below 0 °C."""
    return temperature_c is None or temperature_c >= 0.0 or not pack.chemistry.is_lithium


def what_ifs(
    held: Situation, site: Site, change: Change, temperature_c: float | None, lasting: Lasting = hours
) -> tuple[WhatIf, ...]:
    """Each change by itself, compared with the hours as they are. A pack too cold to be charged stores nothing.

    temperature_c : float | None — where the pack stands [°C]
    lasting : Lasting — what gives the hours where `held` is changed
    Errors: UsageError for a panel where no latitude and longitude are given, for a generator without pack.charge_w.
    """
    cold = not may_charge(site.pack, temperature_c)
    base = lasting(held)
    found: list[tuple[str, Array]] = []
    if change.extra_wh is not None:
        scale = 1.0 + change.extra_wh / site.pack.nominal_wh
        bigger = scaled(held.pack, scale)
        found.append((Said("size.option.extra", wh=number(change.extra_wh)), lasting(replace(held, pack=bigger))))
    if change.idle_w is not None:
        quieter = replace(held.pack, idle_w=np.full_like(held.pack.idle_w, change.idle_w))
        found.append((Said("size.option.idle", watts=number(change.idle_w)), lasting(replace(held, pack=quieter))))
    if change.sun_w is not None:
        found.append(
            (
                Said("size.option.sun", watts=number(change.sun_w), sky=share(change.sky)),
                base if cold else _sun(held, site, change, lasting),
            )
        )
    if change.generator_h is not None:
        name = Said("size.option.generator", hours=number(change.generator_h))
        found.append((name, _generator(held, site, change.generator_h, cold, lasting)))
    return tuple(WhatIf(name, quantiles(after), _gain(base, after)) for name, after in found)


def _gain(before: Array, after: Array) -> float | None:
    gained = float(np.median(after)) - float(np.median(before))
    return gained if np.isfinite(gained) else None


def _sun(held: Situation, site: Site, change: Change, lasting: Lasting) -> Array:
    if site.latitude is None or site.longitude is None:
        raise UsageError(
            Said("usage.latitude_missing_so_the_sun_cannot"), Said("usage.add_latitude_and_longitude_to_the")
        )
    assert change.sun_w is not None
    light = charging_wh(site.latitude, site.longitude, change.start_ms, held.ahead_s, change.sun_w, change.sky)
    return lasting(held, np.broadcast_to(light, held.pump_wh.shape))


def _generator(held: Situation, site: Site, generator_h: float, cold: bool, lasting: Lasting) -> Array:
    charge_w = 0.0 if cold else site.pack.charge_w
    if charge_w is None:
        raise UsageError(Said("usage.pack_charge_w_missing_so_what"), Said("usage.add_charge_w_to_the_pack"))
    return with_generator(held, generator_h, charge_w, lasting)


def with_generator(held: Situation, generator_h: float, charge_w: float, lasting: Lasting) -> Array:
    """Hours with a generator, (draws,), that runs once, shortly before the floor: it carries everything and charges.

    So the pack holds more: what it does not give meanwhile, and what is put in, where there is room for it by then.

    generator_h, charge_w : float — how long it runs [h], and the pack's charging power; 0: it is not charged [W]
    lasting : Lasting — what gives the hours where `held` is changed
    """
    pack, ahead_s = held.pack, held.ahead_s
    until_h = np.clip(hours(replace(held, other=None)), ahead_s[1] / 3600.0, ahead_s[-1] / 3600.0)
    spared = generator_h * at_h(held.drain_wh, until_h, ahead_s) / until_h
    more = spared + np.minimum(CHARGE_LOSSES * charge_w * generator_h, pack.to_full_wh + pack.to_reserve_wh)
    fuller = replace(pack, to_reserve_wh=pack.to_reserve_wh + more, to_empty_wh=pack.to_empty_wh + more)
    return lasting(replace(held, pack=fuller))


def beside(name: str, site: Site, can_run: Finding, can_start: Finding, lasting: Quantiles) -> PackOption:
    """One pack's line in a comparison.

    site : Site — with this pack in it
    lasting : Quantiles — hours to the reserve floor [h]
    """
    price, middle = site.pack.price, lasting.p50
    per_hour = price / middle if price is not None and middle else None
    return PackOption(name, can_run, can_start, lasting, price, per_hour)
