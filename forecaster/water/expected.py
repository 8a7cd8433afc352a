"""The inflow ahead relaxes towards what the season lets expect, where the long record has told it.

What falls from the present water is good for a day or two. Beyond, a pit forgets it: each draw of the water follows the
reservoirs until a time of its own, and from then on a draw of the season's days.
"""

from __future__ import annotations

import numpy as np

from forecaster.domain.times import DAY_MS, HOUR_MS
from forecaster.maths.arrays import Array, Single
from forecaster.maths.noise import normals, uniforms
from forecaster.water.seasonal import COLUMNS, SeasonBelief, day_of

FROM_H = 48.0
"""Until then the present water alone counts [h]."""

FORGET_H = 120.0
"""Mean time after FROM_H at which a draw turns to the season [h]. Chosen by the score in the handbook."""

FOLLOWING = 0.6
"""How much of its stray from the season a day keeps the day after: storms recede over days. A guess."""


def relax_wh(
    rises: Single, season: SeasonBelief, running_w: float, now_ms: int, ahead_h: Array, seed: int
) -> None:  # fmt: skip
    """Let the pump's energy turn to the season's, in place; nothing changes up to FROM_H.

    rises : (draws, T - 1) — energy from each time ahead to the next [Wh]; running_w : float — the pump's power [W]
    ahead_h : (T,) — times ahead [h], rising
    """
    late = int(np.searchsorted(ahead_h[:-1], FROM_H))
    draws = rises.shape[0]
    if late >= rises.shape[1]:
        return
    middle_h = 0.5 * (ahead_h[late:-1] + ahead_h[late + 1 :])
    turns_h = FROM_H - FORGET_H * np.log(uniforms(seed + 13, draws, 1))
    drawn = normals(seed + 17, draws, COLUMNS + 1)
    level = season.levels(day_of(now_ms) + middle_h * HOUR_MS / DAY_MS, drawn[:, :COLUMNS], drawn[:, COLUMNS])
    level *= _strays(season.spread, middle_h, draws, seed)
    expected = (running_w * np.minimum(level, 1.0) * np.diff(ahead_h[late:])).astype(np.float32)
    np.copyto(rises[:, late:], expected, where=middle_h > turns_h)


def _strays(spread: float, middle_h: Array, draws: int, seed: int) -> Array:
    """Factors, of mean 1, by which single days stray from the season, at times ahead [h], (draws, T)."""
    deviation = float(np.sqrt(np.log1p(spread)))
    days = (middle_h / 24.0).astype(np.intp)
    fresh = normals(seed + 19, draws, int(days[-1]) + 1)
    course = np.empty_like(fresh)
    course[:, 0] = fresh[:, 0]
    for day in range(1, fresh.shape[1]):
        course[:, day] = FOLLOWING * course[:, day - 1] + np.sqrt(1.0 - FOLLOWING**2) * fresh[:, day]
    return np.asarray(np.exp(deviation * course - 0.5 * deviation**2)[:, days], dtype=np.float64)
