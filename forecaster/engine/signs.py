"""Signs that the pump worked, where single runs are not seen: a step of the energy counter, a sample that caught it.

The signs of a site have their own rhythm: even where every run moves the counter, random where a sample catches one
run in ten. What is learnt is the energy that was due between two signs, so that wet and dry days are comparable.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import msgspec

from forecaster.domain.quantities import Quantity
from forecaster.domain.times import HOUR_MS
from forecaster.segment.counter import CounterStep
from forecaster.segment.segmenter import Segmenter

_KEPT = 160
_ENOUGH = 40
_LEAST_SPREAD = 0.15
_BEYOND = 2.0
_TAIL, _RARE = 0.25, 1e-7
_KNOWN = 0.95
"""A wait shorter than so many times the longest that the site has known, or than all but the rarest of its waits, is
never more overdue than this, 0..1. Beyond the upper quarter of what it has known, waits are taken as exponential: where
signs come by chance they are (samples that catch two runs in three miss seven in a row about once a month). So rare by
that fit, because the rate at which energy is due is itself known to a third only."""


@dataclass(frozen=True, slots=True)
class Wait:
    """The wait since the pump was last seen to work.

    since_ms : int — when that was, UTC milliseconds
    probability : float — that it would have been seen again by now, 0..1
    waits : float — usual waits that have passed since
    """

    since_ms: int
    probability: float
    waits: float


class Signs(msgspec.Struct):
    """When the pump last showed a sign, and the energy that was due between earlier signs.

    worked_ms : int | None — newest sign since the beginning or since a gap
    heard_ms : int | None — newest reading that would have shown one
    source : str — the source of the last sign; another source has another rhythm
    rate_w : float | None — the pump's recent mean power when the newest sign came [W]
    between_wh : dict[str, list[float]] — by source, energy that was due from each sign to the next by the recent mean
        power [Wh]: a stand-in that catches one run in ten knows other waits than what sees them all
    """

    worked_ms: int | None = None
    heard_ms: int | None = None
    source: str = ""
    rate_w: float | None = None
    between_wh: dict[str, list[float]] = msgspec.field(default_factory=dict)

    def heard(
        self, at_ms: int, *, worked: bool, gap_ms: int, recent_w: float | None, again: bool = False, source: str = ""
    ) -> None:
        """Take a reading of a source, and whether it shows work since the one before.

        again : bool — the same run as in the reading before, so no new sign
        gap_ms : int — after a longer interval signs may have been missed [ms]
        recent_w : float | None — the pump's recent mean power [W]
        """
        last = self.heard_ms
        self.heard_ms = at_ms
        if source != self.source or (last is not None and at_ms - last > gap_ms):
            self.source = source
            self.worked_ms = at_ms if worked else None
            self.rate_w = recent_w
            return
        if not worked:
            return
        if again:
            self.worked_ms = at_ms
            return
        began, rate_w = self.worked_ms, self.rate_w
        if began is not None and rate_w is not None and rate_w > 0.0 and at_ms > began:
            between = self.between_wh.setdefault(self.source, [])
            between.append(rate_w * (at_ms - began) / HOUR_MS)
            if len(between) > _KEPT:
                del between[0]
        self.worked_ms, self.rate_w = at_ms, recent_w

    def sign(self, segmenter: Segmenter, at_ms: int, quantity: Quantity, recent_w: float | None) -> None:
        """Note whether a reading of the counter, or of the metering source, shows that the pump worked."""
        if quantity is Quantity.PUMP_ENERGY:
            if (counter := segmenter.counter) is not None:
                rose = counter.rhythm.changed_ms == at_ms and counter.step is not CounterStep.JITTER
                self.heard(at_ms, worked=rose, gap_ms=counter.rhythm.gap_ms, recent_w=recent_w)
        elif quantity is segmenter.metering:
            tracker = segmenter.trackers[quantity]
            self.heard(
                at_ms,
                worked=tracker.on,
                again=tracker.samples > 1,
                gap_ms=tracker.rhythm.gap_ms,
                recent_w=recent_w,
                source="" if segmenter.counted(at_ms) else quantity.value,
            )

    def wait(self) -> Wait | None:
        """The wait up to the newest reading; None before enough is known, or where a gap lies in it.

        The wait is taken as log-normal about the median of what was due, with the learnt spread. In any case only a
        wait longer than all known ones counts as far too long.
        """
        since, heard, rate_w = self.worked_ms, self.heard_ms, self.rate_w
        ordered = sorted(self.between_wh.get(self.source, ()))
        if since is None or heard is None or rate_w is None or rate_w <= 0.0 or len(ordered) < _ENOUGH:
            return None
        usual = ordered[len(ordered) // 2]
        if usual <= 0.0:
            return None
        due = rate_w * (heard - since) / HOUR_MS
        if due <= 0.0:
            return Wait(since, 0.0, 0.0)
        strays = sorted(abs(math.log(value / usual)) for value in ordered if value > 0.0)
        spread = max(strays[int(0.683 * (len(strays) - 1))], _LEAST_SPREAD)
        chance = 0.5 * math.erfc(-math.log(due / usual) / (spread * math.sqrt(2.0)))
        if due < max(_BEYOND * ordered[-1], rare_wait(ordered)):
            chance = min(chance, _KNOWN)
        return Wait(since, chance, due / usual)


def rare_wait(ordered: Sequence[float]) -> float:
    """The wait that only the rarest exceed, by the mean excess over the upper quarter (peaks over a threshold with an
    exponential tail: Coles, An Introduction to Statistical Modeling of Extreme Values, 2001, chapter 4, shape 0).

    ordered : (N,) — known waits, smallest first; N at least 4
    """
    tail = ordered[int((1.0 - _TAIL) * len(ordered)) :]
    threshold = tail[0]
    return threshold + math.log(_TAIL / _RARE) * sum(value - threshold for value in tail) / len(tail)
