"""How the gap between the oracle and the engine splits: what cannot be known from the messages, and what is left."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from forecaster.score.bound.bound import BOUND, PACK_KNOWN, WATER_KNOWN
from forecaster.score.cases import HEADLINE_PERCENT
from forecaster.score.figures import loss
from forecaster.score.rolling import ENGINE, ORACLE, Scored

WHOLE = "all"


@dataclass(frozen=True, slots=True)
class LossGap:
    """Mean quantile losses over the same origins, as shares of the hours.

    forecasts : int — how many origins
    oracle, bound, engine : float; pack_known, water_known : float — the bound's, were one of the two known
    """

    forecasts: int
    oracle: float
    pack_known: float
    water_known: float
    bound: float
    engine: float

    @property
    def unknowable(self) -> float | None:
        """Share of the gap between oracle and engine that the bound has too; None where there is no gap."""
        gap = self.engine - self.oracle
        return (self.bound - self.oracle) / gap if gap > 0.0 else None

    @property
    def over_bound(self) -> float | None:
        """The engine's loss over the bound's; None where the bound lost nothing."""
        return self.engine / self.bound if self.bound > 0.0 else None


@dataclass(frozen=True, slots=True)
class Gaps:
    """The gap of all headline origins, by sampling style, and by charge over all origins.

    effective : tuple[float, float] — the bound's effective particles at their fewest between two origins: the median
        over all origins, and the least
    """

    whole: LossGap
    by_percent: dict[str, LossGap]
    by_group: dict[str, LossGap]
    effective: tuple[float, float]


def gaps(rows: Sequence[Scored]) -> Gaps | None:
    """How the gap splits; None where the bound was not asked."""
    effective = [row.effective for row in rows if row.effective is not None]
    if not effective:
        return None
    headline = [row for row in rows if row.percent in HEADLINE_PERCENT] or list(rows)
    return Gaps(
        whole=_split(headline, lambda _: WHOLE)[WHOLE],
        by_percent=_split(rows, lambda row: f"{row.percent:.0f}"),
        by_group=_split(headline, lambda row: row.group),
        effective=(float(np.median(effective)), min(effective)),
    )


def _split(rows: Sequence[Scored], key: Callable[[Scored], str]) -> dict[str, LossGap]:
    groups: dict[str, dict[str, list[float]]] = defaultdict(lambda: defaultdict(list))
    for row in rows:
        groups[key(row)][row.forecaster].append(loss(row))
    return {
        name: LossGap(
            len(losses[BOUND]),
            *(float(np.mean(losses[who])) for who in (ORACLE, PACK_KNOWN, WATER_KNOWN, BOUND, ENGINE)),
        )
        for name, losses in groups.items()
    }
