"""Honest ranges: widen or narrow by how often past ranges held, and backtest them on the site's own history.

Adaptive conformal inference (Gibbs & Candes 2021, NeurIPS 34): the miss rate that is aimed at moves by
a(t+1) = a(t) + g (target - err), err = 1 for a miss, so that in the long run the range misses at the target's rate
whatever the data do.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from scipy.special import ndtri

from forecaster.domain.forecast import Coverage

TARGET_MISS = 0.2
"""The 10-90 % range is to miss one time in five."""

RATE = 0.015
"""Step g of the recursion."""

NARROWEST, WIDEST = 0.8, 2.5
"""Limits of the widening."""

ENOUGH = 12
"""Checks that a widening other than 1 takes at least."""


def adapt(level: float, miss: bool, target: float = TARGET_MISS, rate: float = RATE) -> float:
    """The miss rate to aim at after one check: level + rate (target - miss), not bounded."""
    return level + rate * (target - (1.0 if miss else 0.0))


@dataclass(slots=True)
class Conformal:
    """The miss rate aimed at, and what came of past ranges; update, then read.

    level : float — miss rate aimed at, 0.005..0.6; hits, count : int — checks in which the range held, and all checks
    """

    level: float = TARGET_MISS
    hits: int = 0
    count: int = 0

    def update(self, miss: bool) -> None:
        """Take one check; miss : whether what happened lay outside the 10-90 % range as given, widening included."""
        self.level = min(max(adapt(self.level, miss), 0.005), 0.6)
        self.count += 1
        self.hits += 0 if miss else 1

    @property
    def widening(self) -> float:
        """Factor on the spread of a normal range that gives the level aimed at; 1 until enough was seen."""
        if self.count < ENOUGH:
            return 1.0
        factor = float(ndtri(1.0 - self.level / 2.0) / ndtri(1.0 - TARGET_MISS / 2.0))
        return min(max(factor, NARROWEST), WIDEST)

    def coverage(self) -> Coverage | None:
        """Achieved coverage; None before the first check."""
        return Coverage(self.hits, self.count, self.widening) if self.count else None


@dataclass(slots=True)
class Backtest:
    """Ranges given for the pump's energy some hours ahead, kept until what came is known.

    pending : list of [made_ms, due_ms, low_wh, high_wh, total_wh, watched_h] — the totals as they stood when made
    made_ms : int — when the newest range was made [UTC ms]
    total_wh, watched_h : float — energy and time watched so far [Wh], [h]
    """

    AHEAD_H = (3.0, 12.0)
    EVERY_H = 6.0
    WATCHED_SHARE = 0.95

    conformal: Conformal = field(default_factory=Conformal)
    pending: list[list[float]] = field(default_factory=list)
    made_ms: int = 0
    total_wh: float = 0.0
    watched_h: float = 0.0

    @classmethod
    def from_state(cls, state: Mapping[str, Any]) -> Backtest:
        """One as `dataclasses.asdict` gave it."""
        return cls(**{**state, "conformal": Conformal(**state["conformal"])})

    def due(self, now_ms: int) -> bool:
        """Whether the newest range is EVERY_H old, so that it is time for another."""
        return now_ms - self.made_ms >= self.EVERY_H * 3_600_000.0

    def give(self, now_ms: int, low_wh: float, high_wh: float, ahead_h: float) -> None:
        """Keep a range for the energy from now_ms until `ahead_h` hours later [Wh]."""
        self.made_ms = now_ms
        due_ms = now_ms + ahead_h * 3_600_000.0
        self.pending.append([float(now_ms), due_ms, low_wh, high_wh, self.total_wh, self.watched_h])

    def watch(self, start_ms: int, stop_ms: int, energy_wh: float) -> None:
        """Take the energy that came over a span [Wh], and check the ranges that fall due within it.

        A range watched for less than WATCHED_SHARE of its time is dropped unchecked.
        """
        span_h = (stop_ms - start_ms) / 3_600_000.0
        open_still = []
        for row in self.pending:
            made_ms, due_ms, low, high, total, watched = row
            if stop_ms < due_ms:
                open_still.append(row)
                continue
            share = 1.0 if stop_ms <= start_ms else min(max((due_ms - start_ms) / (stop_ms - start_ms), 0.0), 1.0)
            came_wh = self.total_wh - total + share * energy_wh
            seen_h = self.watched_h - watched + share * span_h
            if seen_h >= self.WATCHED_SHARE * (due_ms - made_ms) / 3_600_000.0:
                self.conformal.update(miss=not low <= came_wh <= high)
        self.pending = open_still
        self.total_wh += energy_wh
        self.watched_h += span_h
