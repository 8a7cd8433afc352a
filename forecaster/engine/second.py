"""The second pump of a pit, at a higher float: its own runs and rhythm, and what it lifts, as work of the first one.

The models know one pump. A run of the second one counts as the energy with which the first one would have lifted the
same water, by the flows of the two plates; what the second one really takes from the pack follows from the same share.
"""

from __future__ import annotations

from dataclasses import replace

import msgspec

from forecaster.domain.forecast import PumpNow, PumpRole
from forecaster.domain.quantities import PUMP_QUANTITIES, Quantity
from forecaster.domain.runs import Run, Supply
from forecaster.domain.site import Channel, Driven, NamedPump, Site
from forecaster.engine.evidence import PumpSpan
from forecaster.engine.lifting import Lifting
from forecaster.engine.normals import Normals
from forecaster.engine.signs import Signs
from forecaster.engine.spans import Spans
from forecaster.pack.bank import pump_packs
from forecaster.pack.nameplate import running_w, second_flow_share
from forecaster.segment import Rhythm, Segmenter
from forecaster.segment.levels import Levels
from forecaster.segment.tracker import Tracker

OVERDUE = 1.2
"""A first run of the second pump after so many usual waits of the first one shows that the first one does not lift; a
sooner one may be somebody who tries it."""
TIMES_ALONE, TIMES_BACK = 2, 2
"""So many runs of the second pump with none of the first one between show it as well; so many runs of the first one
with none of the second one show that it lifts again."""
BESIDE_MS = 15 * 60_000
"""For so long after both ran together the first one counts as not keeping up [ms]."""
MOST_LIFTED = 200
NOTABLE = (PumpRole.LIFTS, PumpRole.BESIDE, PumpRole.SILENT)


class SecondPump(msgspec.Struct):
    """The second pump.

    driven_by : Driven
    flow_share : float — its flow over that of the first one, by the plates; 1 where they do not say
    stretch : float — how much longer the water takes to its float than to that of the first one; 1: not known
    output : Tracker — the pack's output, which carries both pumps: what lies below their runs is other loads
    lifted : starts [ms] and energies [Wh], as of the first pump, of runs that are in no span yet
    taken_ms : int | None — since when it lifts in place of the first one
    alone, back : int — its runs since the first one's newest, and the first one's since its own newest
    beside_ms : int | None — when both last ran together
    """

    id: str
    driven_by: Driven
    flow_share: float
    stretch: float
    segmenter: Segmenter
    output: Tracker
    spans: Spans = msgspec.field(default_factory=Spans)
    normals: Normals = msgspec.field(default_factory=Normals)
    signs: Signs = msgspec.field(default_factory=Signs)
    lifted: list[tuple[int, float]] = msgspec.field(default_factory=list)
    taken_ms: int | None = None
    alone: int = 0
    back: int = 0
    beside_ms: int | None = None

    @classmethod
    def of(cls, site: Site) -> SecondPump | None:
        """The second pump of a site of which nothing was heard; None where there is one pump only."""
        named = site.second_pump
        if named is None:
            return None
        own = tuple(
            replace(one, of="") for one in site.channels if one.of == named.id and one.quantity in PUMP_QUANTITIES
        )
        flow_share, drawdown_m = second_flow_share(site), site.pit.drawdown_m
        return cls(
            id=named.id,
            driven_by=named.driven_by,
            flow_share=1.0 if flow_share is None else flow_share,
            stretch=1.0 if drawdown_m is None else 1.0 + named.starts_above_m / drawdown_m,
            segmenter=Segmenter.of(_alone(site, named, own)),
            output=Tracker(Rhythm(), Levels(running_w=running_w(site.pump), shared=True), shared=True),
        )

    def adapted(self, fresh: SecondPump | None) -> SecondPump | None:
        """The second pump by a changed site file; what was learnt of it stays, unless it is another one."""
        if fresh is None or fresh.id != self.id or fresh.driven_by is not self.driven_by:
            return fresh
        self.flow_share, self.stretch = fresh.flow_share, fresh.stretch
        self.segmenter.adapt(fresh.segmenter)
        return self

    def begin_anew(self) -> None:
        """Forget how much a run of it uses: its plate was changed."""
        self.segmenter.begin_anew(levels=True)
        self.normals = Normals(last_run=self.normals.last_run)
        self.signs = Signs()

    @property
    def lifting(self) -> Lifting:
        """Its runs."""
        return Lifting(self.segmenter, self.spans, self.normals, self.signs)

    def rhythm(self, quantity: Quantity, pump: str) -> Rhythm | None:
        """The rhythm of one of its streams; None where it was never heard, or is that of a pump before it."""
        return self.segmenter.streams().get(quantity) if pump == self.id else None

    @property
    def drawn_wh(self) -> float:
        """What it has drawn from the pack or the mains since the beginning [Wh]."""
        return self.segmenter.meter.total_wh if self.driven_by is Driven.PACK else 0.0

    @property
    def drawn_w(self) -> float | None:
        """The mean power that it has drawn of late [W]; None before it has lifted."""
        return self.spans.recent_w if self.driven_by is Driven.PACK else 0.0

    @property
    def standby_w(self) -> float:
        """What its plug draws between runs [W]."""
        return self.segmenter.standby_w if self.driven_by is Driven.PACK else 0.0

    def own_share(self, first_w: float) -> float:
        """Its mean power over that of the first pump for the same water. first_w : the first one's running power [W]"""
        return self.segmenter.running_w / (first_w * self.flow_share) if first_w > 0.0 else 1.0

    def drawn_share(self, first_w: float) -> float:
        """The same of what it draws from the pack: nothing where water pressure drives it."""
        return self.own_share(first_w) if self.driven_by is Driven.PACK else 0.0

    # -- what is heard

    def take(
        self, at_ms: int, quantity: Quantity, value: float, supply: Supply, first: Lifting, *, alone: bool = False
    ) -> tuple[list[PumpSpan], list[Run]]:
        """Take a reading of it. Returns spans of water lifted, as energies of the first pump [Wh], and its runs.

        alone : bool — whether the first pump's own pack is known to be empty, so that nothing but this one lifts
        """
        runs = [replace(run, pump=self.id) for run in self.segmenter.feed(at_ms, quantity, value, supply)]
        found = [self._run(run, first, alone=alone) for run in runs]
        self.signs.sign(self.segmenter, at_ms, quantity, self.spans.recent_w)
        if self.segmenter.running_since_ms(at_ms) is not None and first.segmenter.running_since_ms(at_ms) is not None:
            self.beside_ms = at_ms
        if at_ms >= self.spans.due_ms and (span := self.spans.window(at_ms, self.segmenter)) is not None:
            found.append(self._emitted(span, first))
        return [span for span in found if span is not None], runs

    def _run(self, run: Run, first: Lifting, *, alone: bool) -> PumpSpan | None:
        self.alone, self.back = self.alone + 1, 0
        if alone or self.alone >= TIMES_ALONE or self._overdue(run.start_ms, first):
            self.taken_ms = self.taken_ms or run.start_ms
        if run.energy_wh is not None:
            self.lifted.append((run.start_ms, run.energy_wh / self.own_share(first.segmenter.running_w)))
            del self.lifted[:-MOST_LIFTED]
        span = self.lifting.run(run)
        return None if span is None else self._emitted(span, first)

    def _overdue(self, at_ms: int, first: Lifting) -> bool:
        last, usual_s = first.normals.last_run, first.normals.recent_interval_s()
        return last is not None and usual_s is not None and at_ms - last.start_ms > 1000.0 * OVERDUE * usual_s

    def _emitted(self, span: PumpSpan, first: Lifting) -> PumpSpan | None:
        """A span of its own where the first pump did not run in it, and its windows do not tell of the same time."""
        began = first.spans.cycle_ms
        if self.taken_ms is None or first.segmenter.coarse(span.stop_ms):
            return None
        if (began is not None and began > span.start_ms) or first.segmenter.running_since_ms(span.stop_ms) is not None:
            return None
        self.lifted = [one for one in self.lifted if one[0] >= span.stop_ms]
        first.spans.end_ms = max(first.spans.end_ms, span.stop_ms)
        share = self.own_share(first.segmenter.running_w)
        energies_wh = (wh / share for wh in (span.energy_wh, span.lump_wh, span.ends_wh))
        return PumpSpan(span.start_ms, span.stop_ms, *energies_wh)

    def with_lifted(self, span: PumpSpan) -> PumpSpan:
        """A span of the first pump with what this one lifted in it."""
        lifted = sum(wh for start_ms, wh in self.lifted if span.start_ms <= start_ms < span.stop_ms)
        self.lifted = [one for one in self.lifted if one[0] >= span.stop_ms]
        self.spans.end_ms = max(self.spans.end_ms, span.stop_ms)
        return replace(span, energy_wh=span.energy_wh + lifted)

    def first_ran(self) -> None:
        """Take note of a run of the first pump."""
        self.alone, self.back = 0, self.back + 1
        if self.back >= TIMES_BACK:
            self.taken_ms = None

    # -- what is so

    def acts(self, first: Segmenter, now_ms: int) -> bool:
        """Whether it lifts in place of the first pump."""
        return self.taken_ms is not None and first.running_since_ms(now_ms) is None

    def ready(self, now_ms: int) -> bool:
        """Whether it is heard, so that it counts as able to lift."""
        return self.segmenter.source(now_ms) is not None

    def state(self, now_ms: int) -> PumpRole:
        """What it does at a time."""
        if not self.ready(now_ms):
            return PumpRole.SILENT
        if self.taken_ms is not None:
            return PumpRole.LIFTS
        if self.beside_ms is not None and now_ms - self.beside_ms < BESIDE_MS:
            return PumpRole.BESIDE
        return PumpRole.WAITS

    def pumps(self, site: Site, first: Lifting, now_ms: int) -> tuple[PumpNow, ...]:
        """Both pumps at a time."""
        own = self.state(now_ms)
        roles = (PumpRole.MISSING if self.acts(first.segmenter, now_ms) else PumpRole.LIFTS), own
        return tuple(
            _now(named.id, role, named.driven_by, lifting, now_ms)
            for named, role, lifting in zip(site.pumps, roles, (first, self.lifting), strict=True)
        )


def _alone(site: Site, named: NamedPump, own: tuple[Channel, ...]) -> Site:
    """The site as if the second pump were its only one, on the pack that it hangs on."""
    pack = pump_packs(site)[-1]
    arrangement = None if site.pack_a_pump else site.arrangement
    return replace(site, pump=named.pump, pumps=(), pack=pack, packs=(), arrangement=arrangement, channels=own)


def _now(name: str, role: PumpRole, driven_by: Driven, lifting: Lifting, now_ms: int) -> PumpNow:
    normals = lifting.normals
    return PumpNow(
        id=name,
        role=role,
        driven_by=driven_by,
        running=lifting.segmenter.running_since_ms(now_ms) is not None,
        last_run_ms=None if normals.last_run is None else normals.last_run.stop_ms,
        run_s=normals.recent_run_s() or (None if normals.last_run is None else normals.last_run.run_s),
        wh_per_cycle=normals.usual_run_wh() if driven_by is Driven.PACK else 0.0,
    )
