"""What would help, at the end of a rehearsal: each change weighed alone, from what was measured."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from forecaster.discharge.evidence import DischargeEvidence
from forecaster.discharge.hours import Carried, reached
from forecaster.domain.helps import Help
from forecaster.domain.runs import Run
from forecaster.domain.site import Load, Pack
from forecaster.maths.arrays import Array
from forecaster.sizing.helps import GENERATOR_H, LESS_HEAD_M, Tried, generator_said, shorter_runs
from forecaster.sizing.terms import number, share
from forecaster.texts.catalogue import Measured, Said

UNLISTED_W = 3.0
"""Less than this beyond the listed loads is the meter's doubt [W]. Common practice, no source."""

LEAST_RUNS, LEAST_MORE, SURE = 5, 0.02, 2.0
"""Runs with measured energy, on the pack and on the mains, from which the two are compared; the least difference that
is told, as a share; and how many of its errors it has to be."""


def helps(evidence: DischargeEvidence, load: Carried) -> tuple[Help, ...]:
    """What could be tried: a second pack, each other load off, a lower lift, a better cord, a generator.

    load : what the pack carries, by the rehearsal
    """
    now = reached(load.hours, evidence)
    tried: list[Tried] = [_second_pack(load), *_loads_off(evidence, load)]
    pump_wh = float(np.median(load.pump_w))
    shorter = shorter_runs(evidence.site.pump)
    if shorter is not None and pump_wh > 0.0:
        words = Said("size.help.head", lift=Measured(LESS_HEAD_M, "m"))
        tried.append((words, _with_pump(load, shorter), pump_wh * (1.0 - shorter)))
    more = more_on_the_pack(evidence)
    if more is not None:
        words = Said("rehearsal.cord", share=share(more))
        tried.append((words, _with_pump(load, 1.0 / (1.0 + more)), pump_wh * more / (1.0 + more)))
    tried.append(_generator(load, evidence.site.pack, now))
    return tuple(_weighed(what, reached(after, evidence), now, wh) for what, after, wh in tried)


def _weighed(what: str, then: float, now: float, wh: float | None) -> Help:
    return Help(what, then, then - now, wh)


def _second_pack(load: Carried) -> Tried:
    doubled = replace(load, budget_wh=2.0 * load.budget_wh).hours
    return Said("size.help.pack"), doubled, float(np.median(load.pack.capacity_wh))


def _generator(load: Carried, pack: Pack, now: float) -> Tried:
    """The pack holds more: what it does not give meanwhile, and what is put in, where there is room for it."""
    what, stored = generator_said(pack, now, warm=True)
    more = GENERATOR_H * load.drain_w + np.minimum(stored, load.budget_wh)
    return what, replace(load, budget_wh=load.budget_wh + more).hours, stored


def _with_pump(load: Carried, factor: float) -> Array:
    return replace(load, pump_w=load.pump_w * factor).hours


def _loads_off(evidence: DischargeEvidence, load: Carried) -> list[Tried]:
    """Each load that nobody needs, off, at what it took; and what was measured beyond those that are listed."""
    watts = loads_each_w(evidence, float(np.median(load.loads_w)))
    tried: list[Tried] = []
    for one in evidence.site.loads:
        if not one.essential and watts[one.name] > 0.0:
            words = Said("size.help.load", name=one.name, wh=number(watts[one.name]))
            tried.append((words, _without(load, watts[one.name]), watts[one.name]))
    rest = float(np.median(load.loads_w)) - sum(watts.values())
    if rest >= UNLISTED_W:
        tried.append((Said("rehearsal.unlisted", wh=number(rest)), _without(load, rest), rest))
    return tried


def _without(load: Carried, watts: float) -> Array:
    return replace(load, loads_w=np.maximum(load.loads_w - watts, 0.0)).hours


def loads_each_w(evidence: DischargeEvidence, total_w: float) -> dict[str, float]:
    """Mean power of each listed load [W]: measured by itself, else its share of what is left of the total.

    No load takes more than the owner wrote, unless that is measured.
    """
    measured = {name: max(0.0, watts) for name, watts in evidence.each_load_w}
    others: list[Load] = [one for one in evidence.site.loads if one.name not in measured]
    listed = sum(one.mean_w for one in others)
    left = max(0.0, total_w - sum(measured.values()))
    factor = min(1.0, left / listed) if listed > 0.0 else 0.0
    told = {one.name: one.mean_w * factor for one in others}
    return {one.name: measured.get(one.name, told.get(one.name, 0.0)) for one in evidence.site.loads}


def more_on_the_pack(evidence: DischargeEvidence) -> float | None:
    """How much more energy a run takes on the pack than one on the mains before, as a share; None where it does not.

    A long or thin cord, or a soft output, takes voltage from the motor, which then lifts the same water for longer.
    """
    pack, mains = _energies(evidence.runs), _energies(evidence.before)
    if min(pack.size, mains.size) < LEAST_RUNS:
        return None
    logs = [np.log(part) for part in (pack, mains)]
    more = float(logs[0].mean() - logs[1].mean())
    error = math.hypot(*(float(part.std(ddof=1)) / math.sqrt(part.size) for part in logs))
    return math.expm1(more) if more > max(LEAST_MORE, SURE * error) else None


def _energies(runs: Sequence[Run]) -> Array:
    told = [run.energy_wh for run in runs if run.measured and run.energy_wh is not None and run.energy_wh > 0.0]
    return np.array(told, dtype=np.float64)
