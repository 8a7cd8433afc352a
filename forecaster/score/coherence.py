"""Whether the forecasts of one outage agree with one another: a good forecast is the best guess of the next one.

Each forecast announces an end: its own time plus its median. Seen from an earlier forecast, a later announced end
strays less than the true end does, because the later forecast still has something to learn. So more than 80 % of the
later announced ends should lie within an earlier 10-90 % range; how many more is read from the oracle, at the same
pairs of charges. One revision of a good forecast says nothing about the next (Nordhaus 1987, Forecasting efficiency,
Rev. Econ. Stat. 69: forecasts are a martingale; from memory), and its revisions add up to no more than the news asks
for.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import combinations, pairwise

import numpy as np

from forecaster.domain.forecast import LEVELS
from forecaster.score.rolling import ENGINE, ORACLE, Scored

LOW, MIDDLE, HIGH = (LEVELS.index(level) for level in (0.1, 0.5, 0.9))
LEAST_REVISIONS = 8
"""Pairs of successive revisions that a correlation needs at least; fewer tell nothing."""


@dataclass(frozen=True, slots=True)
class PairShare:
    """How often the end that a later forecast announces lies within an earlier forecast's 10-90 % range.

    pairs : int — pairs of forecasts compared; share : float — the engine's share, 0..1
    oracle : float | None — the oracle's share, 0..1; None unless it answered at all the same pairs
    """

    pairs: int
    share: float
    oracle: float | None


@dataclass(frozen=True, slots=True)
class Coherence:
    """How the forecasts of one outage agree.

    held : over all pairs of origins; by_pair : by the charges of the two, as in "90 to 50 %"
    revisions, oracle_revisions : float | None — correlation of one revision of the announced end with the next, -1..1,
    of the engine and of the oracle; 0 for a good forecast, None from fewer than LEAST_REVISIONS pairs
    path : float | None — summed sizes of the engine's revisions over the oracle's, each outage's as a share of its
    first scale_h; None without an oracle
    """

    held: PairShare
    by_pair: dict[str, PairShare]
    revisions: float | None
    oracle_revisions: float | None
    path: float | None


def coherence(rows: Sequence[Scored]) -> Coherence | None:
    """How the engine's scored forecasts agree; None where no outage has two of them."""
    engine, oracle = _by_outage(rows, ENGINE), _by_outage(rows, ORACLE)
    pairs = [(case, a, b) for case, ordered in engine.items() for a, b in combinations(ordered, 2)]
    if not pairs:
        return None
    best = {(case, row.percent): row for case, ordered in oracle.items() for row in ordered}
    by_charge: dict[str, list[tuple[str, Scored, Scored]]] = defaultdict(list)
    for case, a, b in pairs:
        by_charge[f"{a.percent:.0f} to {b.percent:.0f} %"].append((case, a, b))
    return Coherence(
        held=_held(pairs, best),
        by_pair={name: _held(group, best) for name, group in by_charge.items()},
        revisions=_correlation(engine.values()),
        oracle_revisions=_correlation(oracle.values()),
        path=_path(rows),
    )


def _by_outage(rows: Sequence[Scored], forecaster: str) -> dict[str, list[Scored]]:
    """Each outage's forecasts by one forecaster, earliest first."""
    found: dict[str, list[Scored]] = defaultdict(list)
    for row in rows:
        if row.forecaster == forecaster:
            found[row.case].append(row)
    return {case: sorted(group, key=lambda row: -row.outcome.hours) for case, group in found.items()}


def _announced_h(earlier: Scored, later: Scored) -> float:
    """The end by a later forecast's median, in hours from an earlier one; both outcomes end at the same time."""
    return earlier.outcome.hours - later.outcome.hours + later.quantiles[MIDDLE]


def _holds(earlier: Scored, later: Scored) -> bool:
    return earlier.quantiles[LOW] <= _announced_h(earlier, later) <= earlier.quantiles[HIGH]


def _held(pairs: Sequence[tuple[str, Scored, Scored]], best: dict[tuple[str, float], Scored]) -> PairShare:
    both = [(best.get((case, a.percent)), best.get((case, b.percent))) for case, a, b in pairs]
    oracle = [_holds(a, b) for a, b in both if a is not None and b is not None]
    return PairShare(
        pairs=len(pairs),
        share=float(np.mean([_holds(a, b) for _, a, b in pairs])),
        oracle=float(np.mean(oracle)) if len(oracle) == len(pairs) else None,
    )


def _revisions(ordered: Sequence[Scored]) -> list[float]:
    """By how much each forecast moves the end that the one before announced, as a share of the first one's scale_h."""
    scale_h = ordered[0].scale_h
    return [(_announced_h(a, b) - a.quantiles[MIDDLE]) / scale_h for a, b in pairwise(ordered)]


def _correlation(outages: Iterable[Sequence[Scored]]) -> float | None:
    """Correlation of one revision with the next over all outages, taken about zero so that a bias shows as well."""
    found = [pair for ordered in outages for pair in pairwise(_revisions(ordered))]
    if len(found) < LEAST_REVISIONS:
        return None
    first, then = np.array(found).T
    size = float(np.sqrt((first @ first) * (then @ then)))
    return float(first @ then) / size if size > 0.0 else None


def ways(rows: Sequence[Scored], forecaster: str) -> dict[str, tuple[float, float]]:
    """Of each outage at which a forecaster and the oracle were asked at least twice: ways of their announced ends."""
    own, oracle = _by_outage(rows, forecaster), _by_outage(rows, ORACLE)
    both = [case for case in own if case in oracle and len(own[case]) > 1]
    return {case: (_way(own[case]), _way(oracle[case])) for case in both}


def _way(ordered: Sequence[Scored]) -> float:
    """Summed sizes of the revisions of one outage."""
    return sum(map(abs, _revisions(ordered)))


def _path(rows: Sequence[Scored]) -> float | None:
    found = list(ways(rows, ENGINE).values())
    oracle = sum(way for _, way in found)
    return sum(way for way, _ in found) / oracle if oracle > 0.0 else None
