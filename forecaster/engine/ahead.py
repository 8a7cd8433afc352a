"""A site's state with the readings that are still held back folded in, kept from one forecast to the next.

Readings are held back for a while, because older ones may still arrive. A forecast takes them all into account
nevertheless: it rests on copies into which they are folded. Where further readings arrive in order, the same copies are
continued; otherwise they are made anew. Both ways give the same result, because each reading is folded by itself, and
the models hear what it tells before the next one.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from copy import copy

import msgspec
import numpy as np

from forecaster.decoding.typed import from_packed
from forecaster.domain.site import Site
from forecaster.engine.buffer import Held
from forecaster.engine.evidence import Began, Ended, Evidence, FoldOutput
from forecaster.engine.fold import Fold
from forecaster.engine.models import Models
from forecaster.engine.recharge import charge_now
from forecaster.maths.noise import seeds_of

_RECKONED_PERCENT = 8.0
"""Standard deviation of a charge at the start of a discharge that was computed rather than reported [%]."""


def fold_in(site: Site, fold: Fold, models: Models, items: Sequence[Held], told: FoldOutput, seed: int) -> None:
    """Fold readings into the state, and let the models hear what each of them tells before the next one.

    items : sequence of Held — in order of source time
    told : FoldOutput — takes up the events; its evidence is handed to the models, and is empty afterwards
    seed : int — of the draws by which the charge left in the pack is computed where nothing reports it
    """

    def heard() -> None:
        _hear(site, fold, models, told.evidence, seed)
        told.evidence.clear()

    fold.take(items, told, heard)
    heard()


def _hear(site: Site, fold: Fold, models: Models, evidence: Sequence[Evidence], seed: int) -> None:
    """Tell the models the evidence; where no charge is reported, also keep what a discharge left in the pack."""
    if fold.segmenter.running_w_measured:
        models.inflow.running_w = fold.segmenter.running_w
    if fold.accounts.percent is not None:
        models.hear(evidence)
        return
    for told in evidence:
        match told:
            case Ended(at_ms):
                draws = models.belief.draw(64, seeds_of(seed, 1)[0])
                left = draws.charge_percent_after(np.zeros(64))
                fold.left_percent, fold.left_ms = float(np.median(left)), at_ms
                models.hear([told])
            case Began(at_ms):
                # the charge that the mains had restored by then
                percent = charge_now(site, fold, at_ms, on_pack=False)
                models.hear([told if percent is None else Began(at_ms, percent, _RECKONED_PERCENT)])
            case _:
                models.hear([told])


class Ahead:
    """Copies of a site's state and models into which the readings that are held back are folded.

    stale : bool — to be set when readings have come that are not in the copies yet
    """

    def __init__(self, site: Site, seed: int) -> None:
        self.site, self.seed = site, seed
        self.stale = True
        self._kept: tuple[Fold, Models] | None = None
        self._folded: list[Held] = []
        self._shown: tuple[Fold, Models] | None = None

    def drop(self) -> None:
        """Discard the copies; they are made anew when they are next asked for."""
        self.stale, self._kept, self._shown = True, None, None

    def settled(self, items: Sequence[Held]) -> None:
        """Learn that readings, in order, are no longer held back: the state that copies are made from has them now."""
        count = len(items)
        if self._folded[:count] != items:
            self.drop()
        self._folded = self._folded[count:]

    def at(self, now_ms: int, fold: Fold, models: Models, waiting: Callable[[], list[Held]]) -> tuple[Fold, Models]:
        """The copies as they stand at a time.

        now_ms : int — UTC milliseconds
        fold, models : the state without the readings that are held back, from which copies are made anew
        waiting : gives the readings that are held back, in order of source time
        """
        if self.stale or self._shown is None or self._shown[0].supply.overdue(now_ms):
            if self.stale or self._kept is None:
                self._kept = self._continued(fold, models, waiting())
                self.stale = False
            self._shown = self._brought(*self._kept, now_ms)
        return self._shown

    def _continued(self, fold: Fold, models: Models, items: list[Held]) -> tuple[Fold, Models]:
        known = len(self._folded)
        if self._kept is None or known == 0 or self._folded != items[:known]:
            models.settle()
            self._kept, known = (_copied(fold), models.copy()), 0
        kept_fold, kept_models = self._kept
        in_order = known > 0 or not items or items[0][0] > kept_fold.now_ms
        fold_in(self.site, kept_fold, kept_models, items[known:], FoldOutput(), self.seed)
        kept_models.settle()
        self._folded = items if in_order else []  # a late reading's effect depends on its batch: start anew next time
        return self._kept

    def _brought(self, fold: Fold, models: Models, now_ms: int) -> tuple[Fold, Models]:
        """What is shown at a time: a mains sensor's report counts once it has stood for long enough.

        fold, models : the kept copies, which do not change
        """
        told = FoldOutput()
        if fold.supply.overdue(now_ms):
            shown, heard = _copied(fold), models.copy()
        else:
            shown, heard = copy(fold), models
            shown.supply = copy(fold.supply)
        shown.pass_time(now_ms, told)
        if told.evidence:
            _hear(self.site, shown, heard, told.evidence, self.seed)
            heard.settle()
        return shown, heard


def _copied(fold: Fold) -> Fold:
    return from_packed(msgspec.msgpack.encode(fold), Fold)
