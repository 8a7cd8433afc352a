"""What the evidence of a discharge may mean beside its plain sense, each meaning fitted and weighted by its evidence.

- A gauge that jumped set itself anew. Either it was right before and has been off by its jump since, or it is right now
  and had gone wrong little by little on the way there. Nobody tells which.
- Loads that the owner listed and nobody measures may be off or gone. That is asked once the charge has changed: before
  that, and in a sizing, a list is what the owner asks with.

Where neither is the case there is one meaning, the plain one, and nothing is fitted twice.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from forecaster.maths.arrays import Array
from forecaster.pack.chargeline import (
    CHARGE_ACCEPTED,
    LOADS,
    ChargeContext,
    ChargeSteps,
    Posterior,
    posterior,
)

JUMP_PERCENT, JUMP_STEPS = 4.0, 1.6
"""The gauge set itself anew where it changed at once by more than both of these, in percent and in its own steps, and
the pack cannot have (common practice, no source)."""

_POSSIBLE = 4.0
"""How many times the energy that was counted in between may have been drawn, or given, beside what was counted."""

_SENSES_KEEP = 0.7
"""A gauge that set itself anew is as likely off before as since. This share of that no evidence takes away: the two
differ by the pack's capacity mostly, which the gauge itself was to tell. So either keeps a third, and lies within the
10-90 % range with the greater part of its draws."""

_ONE_STEP = 1.5
"""A change of less than so many steps went to the next one: it was seen on the edge between the two."""

_GONE, _GONE_WEIGHT = np.log(0.05), 0.08
"""Log of what is left of listed loads that are gone, and the prior weight of that (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Sense:
    """One sense of what the gauge showed: the evidence so read, and how much too high it shows the charge now [%]."""

    evidence: ChargeSteps
    too_high_percent: float = 0.0


def jumps(evidence: ChargeSteps, step: float, capacity_wh: float, idle_w: float, loads_w: float) -> list[float]:
    """By how much the gauge had set itself anew in all by each change [%], upwards where positive; 0 before a jump.

    step : float — of the reported charge [%]; the others as far as they are known without the gauge
    """
    shown, before, sum_percent, beyond = evidence.start_percent, [0.0] * 5, 0.0, 0.0
    found = []
    for edge, row in zip(evidence.edges, evidence.rows, strict=True):
        if shown is not None:
            plug_wh, loads_wh, hours, charged_wh, unheard_wh = (b - a for a, b in zip(before, row, strict=True))
            outlet_wh = plug_wh + unheard_wh + (loads_w * hours if np.isnan(loads_wh) else loads_wh) + idle_w * hours
            gave = 100.0 * _POSSIBLE * outlet_wh / capacity_wh
            got = 100.0 * _POSSIBLE * CHARGE_ACCEPTED * max(charged_wh, 0.0) / capacity_wh
            least = max(JUMP_PERCENT, JUMP_STEPS * step)
            change = edge - shown
            if change > least + got or change < -least - gave:
                sum_percent += change - beyond
        found.append(sum_percent)
        beyond = _beyond(shown, edge, step)
        shown, before = edge, row
    return found


def _beyond(shown: float | None, edge: float, step: float) -> float:
    """How far past a change the charge has come in the mean by the time it jumps: half a step where one changed [%]."""
    if shown is None or abs(edge - shown) > _ONE_STEP * step:
        return 0.0
    return math.copysign(step / 2.0, edge - shown)


def senses(evidence: ChargeSteps, jumped: Sequence[float]) -> list[Sense]:
    """The senses of what the gauge showed. jumped : as `jumps` gives it, one for each change"""
    if not any(jumped):
        return [Sense(evidence)]
    return [Sense(_off_since(evidence, jumped), jumped[-1]), Sense(_off_before(evidence, jumped))]


def _off_since(evidence: ChargeSteps, jumped: Sequence[float]) -> ChargeSteps:
    """The evidence of a gauge that has been off since it jumped."""
    return replace(evidence, edges=[edge - by for edge, by in zip(evidence.edges, jumped, strict=True)])


def _off_before(evidence: ChargeSteps, jumped: Sequence[float]) -> ChargeSteps:
    """The evidence of a gauge that is right now: what it was to be off by at its jump had grown with its fall."""
    start = 100.0 if evidence.start_percent is None else evidence.start_percent
    to_come = [jumped[-1] - by for by in jumped]
    fell = [start - edge for edge in evidence.edges]
    most = max([1e-6, *(fallen for fallen, by in zip(fell, to_come, strict=True) if by)])
    shares = [min(max(fallen / most, 0.0), 1.0) for fallen in fell]
    edges = [edge + by * share for edge, by, share in zip(evidence.edges, to_come, shares, strict=True)]
    return replace(evidence, edges=edges)


def weighed(
    sensed: Sequence[Sense], mean: Array, covariance: Array, weight: Array, scene: ChargeContext, *, loads_listed: bool
) -> Posterior:
    """The posterior over all meanings together.

    mean, covariance, weight : of the prior, as for `posterior`
    loads_listed : bool — whether there are loads that nobody measures
    """
    fits = []
    for one in sensed:
        fit = posterior(mean, covariance, weight, one.evidence, scene)
        if loads_listed and one.evidence.edges:
            gone = mean.copy()
            gone[LOADS] = _GONE
            without = posterior(gone, covariance, weight, one.evidence, scene)
            fit = _joined([fit, without], _shares([fit, without], [1.0 - _GONE_WEIGHT, _GONE_WEIGHT]))
        fits.append(replace(fit, too_high_percent=np.full(fit.weight.size, one.too_high_percent)))
    if len(fits) == 1:
        return fits[0]
    even = np.full(len(fits), 1.0 / len(fits))
    return _joined(fits, _SENSES_KEEP * even + (1.0 - _SENSES_KEEP) * _shares(fits, even))


def _shares(fits: Sequence[Posterior], prior: Sequence[float] | Array) -> Array:
    """What each of some posteriors weighs by its evidence; their sum is 1."""
    told = np.log(prior) + np.array([fit.evidence for fit in fits])
    shares = np.exp(told - told.max())
    return np.asarray(shares / shares.sum())


def _joined(fits: Sequence[Posterior], shares: Array) -> Posterior:
    """Posteriors as one, each with its share of the weight."""
    told = np.array([fit.evidence for fit in fits])
    return Posterior(
        mean=np.concatenate([fit.mean for fit in fits]),
        covariance=np.concatenate([fit.covariance for fit in fits]),
        weight=np.concatenate([share * fit.weight for share, fit in zip(shares, fits, strict=True)]),
        stray=np.concatenate([fit.stray for fit in fits]),
        stray_slope=np.concatenate([fit.stray_slope for fit in fits]),
        stray_root=np.concatenate([fit.stray_root for fit in fits]),
        evidence=float(shares @ told),
        too_high_percent=np.concatenate([fit.too_high_percent for fit in fits]),
    )
