"""Two pumps that each hang on a pack of their own: what counts of each, and what follows when the first one is spent.

The first pump lifts until its pack is empty. Then the second one lifts at its higher float, from the other pack, on
which its inverter and loads have drawn in the meantime. Where it is too small for the water that then comes, the pit
floods with charge left. What one pack holds never helps the other one's pump.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from forecaster.domain.site import Site
from forecaster.engine.acting import Acting, standby_w
from forecaster.engine.bank import ALL_PACKS, Hung
from forecaster.engine.fold import Fold
from forecaster.engine.reserve import first_passage
from forecaster.engine.second import SecondPump
from forecaster.maths.arrays import Array, Paths
from forecaster.pack.bank import steady_shares
from forecaster.pack.draws import PackDraws


@dataclass(frozen=True, slots=True)
class PackSide:
    """What one of the packs feeds beside a running pump: shares of all other loads and of all that the inverters take
    for themselves, 0..1, and the draw of its pump between runs [W].
    """

    loads: float
    idle: float
    standby_w: float

    def steady_w(self, pack: PackDraws) -> Array:
        """What it draws from its battery all the time [W], (draws,). pack : of both packs together"""
        return (self.loads * pack.loads_w + self.standby_w) / pack.efficiency + self.idle * pack.idle_w


@dataclass(frozen=True, slots=True)
class BothAhead:
    """The drain of both packs together ahead [Wh], (draws, T), and when the pit floods though there is charge left [h],
    (draws,), inf: it does not.
    """

    drain_wh: Paths
    floods_h: Array


@dataclass(frozen=True, slots=True)
class Handover:
    """The first pump lifts, and the second one after it.

    sides : of the first and of the second pump; left_wh : what is left in the pack of each, (draws,) each [Wh]
    running_w : float — the first pump's running power: the most that it may draw [W]
    share, flow : float — the second pump's energy for the same water, and its flow, over the first one's
    """

    sides: tuple[PackSide, PackSide]
    left_wh: tuple[Array, Array]
    running_w: float
    share: float
    flow: float

    def ahead(self, pump_wh: Paths, pack: PackDraws, ahead_s: Array) -> BothAhead:
        """What is drawn from both packs, and whether the pit floods.

        pump_wh : (draws, T) — cumulative energy with which the first pump would lift all the water [Wh]
        """
        hours, kind = ahead_s / 3600.0, pump_wh.dtype
        cost = (1.0 / pack.efficiency)[:, None]
        steady, steady_other = (side.steady_w(pack)[:, None] for side in self.sides)
        first_wh, second_wh = (left[:, None] for left in self.left_wh)
        took, step_h = np.diff(pump_wh, axis=1, prepend=0.0), np.diff(hours, prepend=0.0)
        own = np.cumsum(np.minimum(took, self.running_w * step_h), axis=1)
        first = cost * own + steady * hours
        end_h = first_passage(first, self.left_wh[0], ahead_s)[:, None]
        after = np.maximum(first - first_wh, 0.0) - steady * np.maximum(hours - end_h, 0.0)
        lifted = cost * (pump_wh - own) + np.maximum(after, 0.0)
        second = self.share * lifted + steady_other * hours
        spent, other_spent = first >= first_wh, second >= second_wh
        drain = np.where(spent, first_wh + second, first + np.minimum(second, second_wh))
        needed_w = took / np.maximum(step_h, 1e-9)
        floods = (spent & (needed_w > self.running_w * self.flow)) | (other_spent & (needed_w > self.running_w))
        return BothAhead(drain.astype(kind), _first_h(floods, hours, np.where(spent, end_h, 0.0)))


def _first_h(flags: Array, hours: Array, from_h: Array) -> Array:
    """When a flag is first set, (draws,) [h]: as its step begins, no sooner than `from_h` there; inf: never."""
    rows, place = np.arange(flags.shape[0]), flags.argmax(axis=1)
    began = hours[np.maximum(place - 1, 0)]
    return np.where(flags.any(axis=1), np.maximum(began, from_h[rows, place]), np.inf)


@dataclass(frozen=True, slots=True)
class Footing:
    """What carries the water from now on.

    pack : PackDraws — with what hangs on the packs that carry; standby_w : float — of the pumps on them [W]
    drawn : float — what the pump that lifts draws, over the power with which the first one would lift the same water
    handover : Handover | None — what follows when the first pump's pack is spent; None: nothing, or one pack feeds both
    """

    pack: PackDraws
    standby_w: float
    drawn: float
    handover: Handover | None = None


def hung_on(site: Site, fold: Fold, now_ms: int) -> Hung:
    """What hangs on each pack; all packs feed all, unless each pump has its own."""
    second = fold.second
    if second is None or not site.pack_a_pump:
        return ALL_PACKS
    (first_pack, other) = (named.id for named in site.packs)
    pumps = {named.id: named.pump or "" for named in site.packs}
    if second.acts(fold.segmenter, now_ms):
        return Hung(pumps, frozenset({other}), frozenset({first_pack}))
    beside = second.segmenter.running_since_ms(now_ms) is not None
    stranded = frozenset() if second.ready(now_ms) else frozenset({other})
    return Hung(pumps, frozenset({first_pack, other} if beside else {first_pack}), stranded)


def carried(site: Site, fold: Fold, pump: Acting, pack: PackDraws, hung: Hung, now_ms: int) -> Footing:
    """What carries the water. pack : of all packs, without what is in those that cannot be counted on"""
    second, bank = fold.second, fold.bank
    if second is None or bank is None or not site.pack_a_pump:
        return Footing(pack, standby_w(fold), pump.drawn)
    sides = _sides(site, fold, second)
    out = {name for name, _ in bank.not_counted(now_ms, hung)}
    first_pack, other = (named.id for named in site.packs)
    share = second.drawn_share(fold.segmenter.running_w)
    if pump.is_second or (first_pack in out and other not in out):
        return _alone(pack, sides[1], share)
    if other in out:
        return _alone(pack, sides[0], 1.0)
    first_wh = bank.first_share() * pack.to_empty_wh
    left_wh = first_wh, pack.to_empty_wh - first_wh
    handover = Handover(sides, left_wh, fold.segmenter.running_w, share, second.flow_share)
    return Footing(pack, standby_w(fold), 1.0, handover)


def _alone(pack: PackDraws, side: PackSide, drawn: float) -> Footing:
    """One pump on its own pack: what hangs on the other one does not count."""
    own = replace(pack, loads_w=side.loads * pack.loads_w, idle_w=side.idle * pack.idle_w)
    return Footing(own, side.standby_w, drawn)


def _sides(site: Site, fold: Fold, second: SecondPump) -> tuple[PackSide, PackSide]:
    """What hangs on each pack beside its pump."""
    first, other = steady_shares(site)
    return PackSide(*first, fold.segmenter.standby_w), PackSide(*other, second.standby_w)
