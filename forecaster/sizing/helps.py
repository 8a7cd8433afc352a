"""What would help, each change weighed alone after every sizing, by the hours that 95 of 100 futures reach."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from forecaster.domain.helps import Help
from forecaster.domain.site import Pack, Pump, Site
from forecaster.engine.reserve import quantiles
from forecaster.maths.arrays import Array
from forecaster.sizing.cord import OHM_PER_1000_FT, Cord
from forecaster.sizing.draw import Draw, flow_share
from forecaster.sizing.options import CHARGE_LOSSES, may_charge, scaled, with_generator
from forecaster.sizing.question import Question
from forecaster.sizing.runtime import Lasting, Situation, hours
from forecaster.sizing.terms import number, rounded
from forecaster.texts.catalogue import Measured, Said

LESS_HEAD_M = 0.5
"""How much lower a lift is tried [m]."""

GENERATOR_H = 0.5
"""How long a generator is tried [h]."""

Tried = tuple[str, Array, float | None]
"""A change in words, the hours after it, (draws,), and its energy as in `Help.wh`."""


def helps(
    held: Situation, site: Site, question: Question, draw: Draw | None, lasting: Lasting = hours
) -> tuple[Help, ...]:
    """What could be tried: a second pack, each load that is not essential switched off, a lower lift, a thicker cord,
    a generator.

    draw : Draw | None — the pump's running draw; None: no pump
    lasting : Lasting — what gives the hours where `held` is changed
    """
    base = lasting(held)
    now = quantiles(base).p05
    found: list[Tried] = []
    found.append((Said("size.help.pack"), lasting(replace(held, pack=scaled(held.pack, 2.0))), site.pack.nominal_wh))
    found += _loads_off(held, site, lasting)
    if draw is not None:
        found += [*_less_head(held, site, lasting), *_fatter_cord(base, site, question.cord, draw)]
    if now is not None:
        warm = may_charge(site.pack, question.temperature_c)
        charge_w = site.pack.charge_w or 0.0 if warm else 0.0
        what, wh = generator_said(site.pack, now, warm=warm)
        found.append((what, with_generator(held, GENERATOR_H, charge_w, lasting), wh))
    return tuple(_weighed(what, after, now, wh) for what, after, wh in found)


def help_document(one: Help) -> dict[str, Any]:
    """One thing that would help, for a script."""
    hours_95, gained = rounded(one.hours_95), rounded(one.gained_h)
    return {"what": str(one.what), "hours_95": hours_95, "gained_h": gained, "wh": rounded(one.wh)}


def _weighed(what: str, after: Array, now: float | None, wh: float | None) -> Help:
    then = quantiles(after).p05
    return Help(what, then, None if then is None or now is None else then - now, wh)


def _loads_off(held: Situation, site: Site, lasting: Lasting) -> list[Tried]:
    total = sum(load.mean_w for load in site.loads)
    found: list[Tried] = []
    for load in site.loads:
        if load.essential or load.mean_w <= 0:
            continue
        pack = replace(held.pack, loads_w=held.pack.loads_w * (1.0 - load.mean_w / total))
        words = Said("size.help.load", name=load.name, wh=number(load.mean_w))
        found.append((words, lasting(replace(held, pack=pack)), load.mean_w))
    return found


def shorter_runs(pump: Pump) -> float | None:
    """The length of a run with LESS_HEAD_M less lift, as a share of what it is; None where the plate does not tell.

    The same water is out sooner, at the same power, so less energy is used; H = Hmax (1 - q²).
    """
    static, most = pump.static_head_m, pump.maximum_head_m
    if static is None or most is None or static <= LESS_HEAD_M:
        return None
    return flow_share(static, most) / flow_share(static - LESS_HEAD_M, most)


def _less_head(held: Situation, site: Site, lasting: Lasting) -> list[Tried]:
    shorter = shorter_runs(site.pump)
    if shorter is None:
        return []
    after = lasting(replace(held, pump_wh=held.pump_wh * shorter))
    return [(Said("size.help.head", lift=Measured(LESS_HEAD_M, "m")), after, None)]


def _fatter_cord(base: Array, site: Site, cord: Cord | None, draw: Draw) -> list[Tried]:
    """The next thicker cord: the hours stay as they are, but more of the voltage reaches the motor."""
    thicker = [gauge for gauge in OHM_PER_1000_FT if cord is not None and gauge < cord.awg]
    if cord is None or not thicker or site.pump.rated_voltage_v is None:
        return []
    better = replace(cord, awg=max(thicker))
    amps = draw.va.mid / site.pump.rated_voltage_v
    saved = cord.drop_v(amps) - better.drop_v(amps)
    return [(Said("size.help.cord", awg=better.awg, volts=number(saved)), base, None)]


def generator_said(pack: Pack, at_h: float, *, warm: bool) -> tuple[str, float]:
    """A generator that runs once for GENERATOR_H in words, and the energy that it puts into the pack [Wh].

    at_h : float — hours that are reached without it in 95 of 100 futures: it is over by then [h]
    warm : bool — whether the pack may be charged; what an unknown charging power would add is left out
    """
    stored = CHARGE_LOSSES * pack.charge_w * GENERATOR_H if pack.charge_w is not None and warm else 0.0
    minutes, at = number(60.0 * GENERATOR_H), number(round(max(0.0, at_h - GENERATOR_H), 1))
    if stored > 0.0:
        return Said("size.help.generator", minutes=minutes, at=at, wh=number(stored)), stored
    key = "size.help.generator_unrated" if warm else "size.help.generator_cold"
    return Said(key, minutes=minutes, at=at), 0.0
