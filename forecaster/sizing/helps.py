"""What would help, each change weighed alone after every sizing, by the hours that 95 of 100 futures reach."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from forecaster.domain.site import Site
from forecaster.engine.reserve import quantiles
from forecaster.maths.arrays import Array
from forecaster.sizing.cord import OHM_PER_1000_FT, Cord
from forecaster.sizing.draw import Draw, flow_share
from forecaster.sizing.options import CHARGE_LOSSES, may_charge
from forecaster.sizing.question import Question
from forecaster.sizing.runtime import Situation, hours
from forecaster.sizing.terms import number
from forecaster.texts.catalogue import Measured, Said

LESS_HEAD_M = 0.5
"""How much lower a lift is tried [m]."""

GENERATOR_H = 0.5
"""How long a generator is tried [h]."""


@dataclass(frozen=True, slots=True)
class Help:
    """A change and the hours it leads to.

    hours_95 : float | None — hours to the reserve floor that are reached with 95 % chance; None: beyond the horizon
    gained_h : float | None — how many more that is than without the change [h]; None where either is beyond the horizon
    wh : float | None — energy that it adds in all, or saves in each hour: `what` says which [Wh]
    """

    what: str
    hours_95: float | None
    gained_h: float | None
    wh: float | None


def helps(held: Situation, site: Site, question: Question, draw: Draw | None) -> tuple[Help, ...]:
    """What could be tried: a second pack, each load that is not essential switched off, a lower lift, a thicker cord,
    a generator.

    draw : Draw | None — the pump's running draw; None: no pump
    """
    base = hours(held)
    now = quantiles(base).p05
    found: list[tuple[str, Array, float | None]] = []
    doubled = replace(held.pack, to_reserve_wh=2.0 * held.pack.to_reserve_wh)
    found.append((Said("size.help.pack"), hours(replace(held, pack=doubled)), site.pack.nominal_wh))
    found += _loads_off(held, site)
    if draw is not None:
        found += [*_less_head(held, site), *_fatter_cord(base, site, question.cord, draw)]
    found += _generator(held, site, base, question.temperature_c, now)
    return tuple(_weighed(what, after, now, wh) for what, after, wh in found)


def _weighed(what: str, after: Array, now: float | None, wh: float | None) -> Help:
    then = quantiles(after).p05
    return Help(what, then, None if then is None or now is None else then - now, wh)


def _loads_off(held: Situation, site: Site) -> list[tuple[str, Array, float | None]]:
    total = sum(load.mean_w for load in site.loads)
    found: list[tuple[str, Array, float | None]] = []
    for load in site.loads:
        if load.essential or load.mean_w <= 0:
            continue
        pack = replace(held.pack, loads_w=held.pack.loads_w * (1.0 - load.mean_w / total))
        words = Said("size.help.load", name=load.name, wh=number(load.mean_w))
        found.append((words, hours(replace(held, pack=pack)), load.mean_w))
    return found


def _less_head(held: Situation, site: Site) -> list[tuple[str, Array, float | None]]:
    """A lower lift: the same water is out sooner, at the same power, so less energy is used; H = Hmax (1 - q²)."""
    static, most = site.pump.static_head_m, site.pump.maximum_head_m
    if static is None or most is None or static <= LESS_HEAD_M:
        return []
    shorter = flow_share(static, most) / flow_share(static - LESS_HEAD_M, most)
    after = hours(replace(held, pump_wh=held.pump_wh * shorter))
    return [(Said("size.help.head", lift=Measured(LESS_HEAD_M, "m")), after, None)]


def _fatter_cord(base: Array, site: Site, cord: Cord | None, draw: Draw) -> list[tuple[str, Array, float | None]]:
    """The next thicker cord: the hours stay as they are, but more of the voltage reaches the motor."""
    thicker = [gauge for gauge in OHM_PER_1000_FT if cord is not None and gauge < cord.awg]
    if cord is None or not thicker or site.pump.rated_voltage_v is None:
        return []
    better = replace(cord, awg=max(thicker))
    amps = draw.va.mid / site.pump.rated_voltage_v
    saved = cord.drop_v(amps) - better.drop_v(amps)
    return [(Said("size.help.cord", awg=better.awg, volts=number(saved)), base, None)]


def _generator(
    held: Situation, site: Site, base: Array, temperature_c: float | None, now: float | None
) -> list[tuple[str, Array, float | None]]:
    if site.pack.charge_w is None or now is None or not may_charge(site.pack, temperature_c):
        return []
    stored = CHARGE_LOSSES * site.pack.charge_w * GENERATOR_H
    kept = np.minimum(stored, held.pack.to_reserve_wh)
    with np.errstate(divide="ignore", invalid="ignore"):
        after = np.asarray(base + GENERATOR_H + kept * base / held.pack.to_reserve_wh, dtype=np.float64)
    minutes, at = number(60.0 * GENERATOR_H), number(max(0.0, now - GENERATOR_H))
    return [(Said("size.help.generator", minutes=minutes, at=at, wh=number(stored)), after, stored)]
