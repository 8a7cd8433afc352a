"""The pump that lifts the water now: of two in one pit the second one, where the first one does not."""

from __future__ import annotations

from dataclasses import dataclass

import msgspec

from forecaster.domain.site import Site
from forecaster.domain.status import Spread
from forecaster.engine.fold import Fold
from forecaster.engine.normals import Normals


@dataclass(frozen=True, slots=True)
class Acting:
    """The state with the runs of the pump that lifts in place of those of the first one.

    is_second : bool — whether that is the second one
    own, drawn : float — its mean power, and what it draws from the pack, over the power with which the first one would
        lift the same water; 1 for the first one
    stretch : float — how much later than the first one the second one is due to start, in usual waits of the first one;
        1 where the water is not expected to come up to another float
    intervals : Normals | None — by whose runs it is told how evenly starts come, where its own are too few; None: by
        its own
    """

    fold: Fold
    is_second: bool = False
    own: float = 1.0
    drawn: float = 1.0
    stretch: float = 1.0
    intervals: Normals | None = None

    @property
    def interval_cv(self) -> float:
        """Relative spread of the interval between starts: it is the water's, and so the same for either pump."""
        return (self.fold.normals if self.intervals is None else self.intervals).interval_cv

    def own_w(self, mean: Spread) -> Spread:
        """The mean power of the pump that lifts [W]. mean : the power with which the first one would lift the water."""
        if not self.is_second:
            return mean
        return Spread(self.own * mean.p05, self.own * mean.p50, self.own * mean.p95, mean.count)


def acting(fold: Fold, now_ms: int) -> Acting:
    """The pump that lifts at a time."""
    second = fold.second
    if second is None:
        return Acting(fold)
    if not second.acts(fold.segmenter, now_ms):
        return Acting(fold, stretch=second.stretch if second.ready(now_ms) else 1.0)
    runs = second.lifting
    shown = msgspec.structs.replace(
        fold, segmenter=runs.segmenter, spans=runs.spans, normals=runs.normals, signs=runs.signs
    )
    first_w, known = fold.segmenter.running_w, None if runs.normals.knows_intervals else fold.normals
    return Acting(shown, True, second.own_share(first_w), second.drawn_share(first_w), intervals=known)


def standby_w(fold: Fold) -> float:
    """What the plugs of the pumps draw between runs [W]."""
    return fold.segmenter.standby_w + (0.0 if fold.second is None else fold.second.standby_w)


def rise_m(site: Site, fold: Fold, now_ms: int) -> float:
    """How far above the first pump's float the water stands when the last pump that is heard starts [m]."""
    named = site.second_pump
    if named is None or fold.second is None or not fold.second.ready(now_ms):
        return 0.0
    return named.starts_above_m
