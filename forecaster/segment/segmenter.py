"""The run sources of a site, and which of them is believed: the best one that is heard and fine enough for runs."""

from __future__ import annotations

import math
from collections.abc import Sequence

import msgspec

from forecaster.domain.quantities import RUN_SOURCES, Quantity
from forecaster.domain.runs import Run, Supply
from forecaster.domain.site import Arrangement, Site
from forecaster.pack.bank import pump_packs
from forecaster.pack.nameplate import running_w, watts_per_ampere
from forecaster.segment.counter import CounterRuns, EnergyCounter
from forecaster.segment.hearing import Hearing
from forecaster.segment.levels import Levels
from forecaster.segment.meter import Meter
from forecaster.segment.rhythm import Rhythm
from forecaster.segment.seldom import misses_runs
from forecaster.segment.sizes import RunSize
from forecaster.segment.tracker import Draft, Tracker

_RANK: dict[Quantity, int] = {quantity: rank for rank, quantity in enumerate(RUN_SOURCES)}
_COARSE_RANK = 10
_COARSE = 0.8
_DISAGREE = 0.55
_YES_NO = (Quantity.PUMP_RUNNING, Quantity.PIT_FLOAT)
_PIN_LOW, _PIN_HIGH = 0.97, 1.02
_NEAR_PIN, _SURELY_PINNED = 0.8, 3
_LEAST_GREATEST_W = 1_000.0
_MOST_PENDING = 64
_JUDGE_EVERY_MS = 10_000
_REVIEW_EVERY_MS = 5_000
_NONE: tuple[Run, ...] = ()
_LEAST_STANDBY_W = 0.2


class Pending(msgspec.Struct, frozen=True, array_like=True):
    """A run of a lower-ranked source, held until it is known whether a better one covered that time."""

    quantity: Quantity
    draft: Draft
    supply: Supply


class Segmenter(msgspec.Struct):
    """Runs and energy of one site's pump.

    Runs come out in order and never overlap. `meter` has the energy at the plug since the beginning.
    """

    site: str
    prior_w: float
    watts_per_ampere: float
    pin_w: float | None
    stated_ms: dict[Quantity, int]
    meter: Meter
    trackers: dict[Quantity, Tracker] = msgspec.field(default_factory=dict)
    counter: EnergyCounter | None = None
    counter_runs: CounterRuns = msgspec.field(default_factory=CounterRuns)
    metering: Quantity | None = None
    pending: list[Pending] = msgspec.field(default_factory=list)
    last_stop_ms: int | None = None
    last_start_ms: int | None = None
    last_blind_ms: int = 0
    review_ms: int = 0

    @classmethod
    def of(cls, site: Site) -> Segmenter:
        """A new segmenter for a site, with the nameplate for its first belief."""
        return cls(
            site=site.id,
            prior_w=running_w(site.pump),
            watts_per_ampere=watts_per_ampere(site.pump),
            pin_w=None if site.arrangement is Arrangement.PARALLEL else pump_packs(site)[0].continuous_w,
            stated_ms={
                channel.quantity: round(channel.max_silence_s * 1000.0)
                for channel in site.channels
                if channel.quantity in _RANK and channel.max_silence_s is not None and not channel.of
            },
            meter=Meter(),
        )

    def adapt(self, fresh: Segmenter) -> None:
        """Apply a changed site file; what was learnt stays."""
        self.prior_w, self.watts_per_ampere = fresh.prior_w, fresh.watts_per_ampere
        self.pin_w, self.stated_ms = fresh.pin_w, fresh.stated_ms
        for quantity, rhythm in self.streams().items():
            rhythm.stated_ms = fresh.stated_ms.get(quantity)

    def begin_anew(self, *, levels: bool) -> None:
        """Forget how much a run uses. levels : forget the running power, too."""
        self.counter_runs = CounterRuns()
        for quantity, tracker in self.trackers.items():
            tracker.size = RunSize()
            if levels:
                tracker.levels = self._new_tracker(quantity).levels
        if levels:
            self.meter.scale, self.meter.counter_wh, self.meter.told_wh = 1.0, 0.0, 0.0

    # -- what is known

    @property
    def running_w(self) -> float:
        """Running power: measured where any source measures it, else the nameplate's, mended by the counter [W]."""
        power = self.trackers.get(Quantity.PUMP_POWER)
        if power is not None and power.levels.learnt:
            return power.levels.running_w
        current = self.trackers.get(Quantity.PUMP_CURRENT)
        if current is not None and current.levels.learnt:
            return current.levels.running_w * self.meter.scale
        output = self.trackers.get(Quantity.PACK_OUTPUT_POWER)
        if output is not None and output.levels.learnt:
            return output.levels.running_w
        return self.prior_w * self.meter.scale

    @property
    def running_w_measured(self) -> bool:
        """Whether the running power was measured at all."""
        return self.meter.scale != 1.0 or any(
            tracker.levels.learnt for tracker in self.trackers.values() if not tracker.yes_no
        )

    @property
    def standby_w(self) -> float:
        """What the pump's plug draws between runs [W]."""
        tracker = self.trackers.get(Quantity.PUMP_POWER)
        if tracker is None or tracker.levels.idle_count < 20 or tracker.levels.idle_w < _LEAST_STANDBY_W:
            return 0.0
        return tracker.levels.idle_w

    def source(self, now_ms: int) -> Quantity | None:
        """The source that runs are told from now; None when all are silent."""
        heard = [quantity for quantity, tracker in self.trackers.items() if not tracker.rhythm.silent(now_ms)]
        counter = self.counter
        tells = counter is not None and (not self.trackers or self.counter_runs.countable(counter))
        if tells and self.counted(now_ms):
            heard.append(Quantity.PUMP_ENERGY)
        return heard[0] if len(heard) == 1 else min(heard, key=self._rank, default=None)

    def believed(self, now_ms: int) -> Tracker | None:
        """The state of the source that runs are told from now; None where it is a counter, or all are silent."""
        return self._tracker(self.source(now_ms))

    def _tracker(self, source: Quantity | None) -> Tracker | None:
        return None if source is None else self.trackers.get(source)

    def running_since_ms(self, now_ms: int) -> int | None:
        """Start of the present run, by the source believed now [UTC milliseconds]."""
        tracker = self.believed(now_ms)
        return tracker.open_ms if tracker is not None and tracker.on else None

    def coarse(self, now_ms: int) -> bool:
        """Whether the source believed now is too coarse for lengths of runs: energy is to be trusted, not edges."""
        return self._coarse(self.source(now_ms))

    def _coarse(self, source: Quantity | None) -> bool:
        return source is None or source is Quantity.PUMP_ENERGY or self._too_coarse(source, self.trackers[source])

    def counted(self, now_ms: int) -> bool:
        """Whether an energy counter is heard, so that nothing the pump uses is missed."""
        return self.counter is not None and not self.counter.rhythm.silent(now_ms)

    def lump_wh(self, now_ms: int) -> float:
        """Energy of one sample of the running pump where runs are caught by chance and not counted [Wh]; else 0."""
        tracker = self._tracker(source := self.source(now_ms))
        if tracker is None or self.counted(now_ms) or not self._coarse(source):
            return 0.0
        return self.running_w * (tracker.rhythm.steady_ms or 0.0) / 3_600_000.0

    def cut_wh(self) -> float:
        """Uncertainty of the energy counted over a window whose ends cut runs or steps of the counter [Wh]."""
        step = 0.0 if self.counter is None else self.counter.resolution_wh or 1.0
        return max(step, self.counter_runs.quantum_wh or 0.0) / math.sqrt(6.0)

    def interval_ms(self, now_ms: int) -> float | None:
        """Usual interval between samples of the source believed now [ms]; None where it is not known."""
        tracker = self.believed(now_ms)
        return None if tracker is None else tracker.rhythm.steady_ms

    def hearing(self, source: Quantity | None) -> Hearing:
        """How a run source tells of runs."""
        if source is Quantity.PUMP_ENERGY and self.counter is not None:
            return Hearing((self.counter.rhythm.typical_ms() or 0) / 1000.0)
        tracker = self._tracker(source)
        if tracker is None:
            return Hearing()
        rhythm = tracker.rhythm
        return Hearing(rhythm.sample_s, tracker.coarse, None if rhythm.untraced else rhythm.lapse_ms or 0)

    def pinned(self, now_ms: int) -> bool:
        """Whether the power of the present run is limited by the pack's continuous rating."""
        tracker = self.believed(now_ms)
        return tracker is not None and tracker.on and self._pinned(tracker.pinned, tracker.samples)

    def _pinned(self, pinned: int, samples: int) -> bool:
        """Whether samples of a run sit at the rating; of a pump that usually draws far less, one or two are inrush."""
        enough = 1 if self.pin_w is None or self.running_w >= _NEAR_PIN * self.pin_w else _SURELY_PINNED
        return pinned >= enough and 2 * pinned >= samples

    # -- what is heard

    def feed(self, at_ms: int, quantity: Quantity, value: float, supply: Supply) -> Sequence[Run]:
        """Take a reading of a run source, newer than the last of that quantity. Returns runs that are now certain."""
        if quantity is Quantity.PUMP_ENERGY:
            return self._feed_counter(at_ms, value, supply)
        tracker = self.trackers.get(quantity)
        if tracker is None:
            tracker = self.trackers[quantity] = self._new_tracker(quantity)
        before = tracker.rhythm.last_ms
        if quantity is Quantity.PUMP_CURRENT:
            draft = tracker.feed(at_ms, value, value * self.watts_per_ampere)
        elif tracker.yes_no:
            draft = tracker.feed(at_ms, value, self.running_w / self.meter.scale if value >= 0.5 else 0.0)
        else:
            draft = tracker.feed(at_ms, value, value)
        if quantity is self.metering:
            self.meter.add(*tracker.take_energy())
        elif at_ms >= tracker.judged_ms:
            tracker.judged_ms = at_ms + _JUDGE_EVERY_MS
            self._arbitrate(at_ms, quantity, tracker, before)
        if draft is not None:
            return self._offer(at_ms, quantity, draft, supply)
        if self.pending and at_ms >= self.review_ms:
            return self._review(at_ms)
        return _NONE

    def _feed_counter(self, at_ms: int, value: float, supply: Supply) -> list[Run]:
        counter = self.counter
        if counter is None:
            rhythm = Rhythm(stated_ms=self.stated_ms.get(Quantity.PUMP_ENERGY))
            counter = self.counter = EnergyCounter(rhythm, max(2.5 * self.prior_w, _LEAST_GREATEST_W))
        interval, used = counter.feed(at_ms, value)
        if interval is not None:
            metering = None if self.metering is None else self.trackers[self.metering]
            covered = metering is not None and not metering.rhythm.silent(at_ms)
            self.meter.count(interval, used, counter.resolution_wh, covered=covered)
        runs: list[Run] = []
        for draft in self.counter_runs.feed(counter, at_ms, interval, used, self.running_w):
            runs += self._offer(at_ms, Quantity.PUMP_ENERGY, draft, supply)
        return runs + self._review(at_ms) if self.pending and at_ms >= self.review_ms else runs

    def _new_tracker(self, quantity: Quantity) -> Tracker:
        rhythm = Rhythm(stated_ms=self.stated_ms.get(quantity))
        if quantity in _YES_NO:
            return Tracker(rhythm, Levels(running_w=self.prior_w, on_w=0.5, off_w=0.5), yes_no=True)
        shared = quantity is Quantity.PACK_OUTPUT_POWER
        levels = Levels(running_w=self.prior_w, shared=shared)
        if self.pin_w is None or quantity is Quantity.PUMP_CURRENT:
            return Tracker(rhythm, levels, shared=shared)
        return Tracker(
            rhythm, levels, shared=shared, pin_low_w=_PIN_LOW * self.pin_w, pin_high_w=_PIN_HIGH * self.pin_w
        )

    # -- whom to believe

    def _rank(self, quantity: Quantity) -> int:
        tracker = self.trackers.get(quantity)
        coarse = tracker is not None and self._too_coarse(quantity, tracker)
        return _RANK[quantity] + (_COARSE_RANK if coarse else 0)

    def _too_coarse(self, quantity: Quantity, tracker: Tracker) -> bool:
        """Whether a source's sampling misses runs, by its own runs or by what the counter says."""
        disagrees = quantity is self.metering and self.meter.disagreement > _DISAGREE
        return tracker.coarse > _COARSE or disagrees or misses_runs(tracker)

    def streams(self) -> dict[Quantity, Rhythm]:
        """The rhythms of all run sources that were ever heard."""
        rhythms = {quantity: tracker.rhythm for quantity, tracker in self.trackers.items()}
        if self.counter is not None:
            rhythms[Quantity.PUMP_ENERGY] = self.counter.rhythm
        return rhythms

    def rhythms(self) -> list[Rhythm]:
        """The same without their names."""
        return list(self.streams().values())

    def _arbitrate(self, at_ms: int, quantity: Quantity, tracker: Tracker, before: int | None) -> None:
        """Let the best source that is heard do the metering; what lower-ranked ones report meanwhile is dropped."""
        metering = None if self.metering is None else self.trackers[self.metering]
        if self.metering is None or metering is None:
            self.metering = quantity
            self.meter.add(*tracker.take_energy())
        elif self._rank(quantity) < self._rank(self.metering):
            self.metering = quantity
            tracker.take_energy()
        elif metering.rhythm.silent(at_ms):
            self.metering = quantity
            self.meter.add(*tracker.take_energy())
        elif before is None or (metering.rhythm.last_ms is not None and metering.rhythm.last_ms >= before):
            tracker.take_energy()

    def _offer(self, at_ms: int, quantity: Quantity, draft: Draft, supply: Supply) -> list[Run]:
        offered = Pending(quantity, draft, supply)
        ready = self._review(at_ms) if self.pending else []
        verdict = self._verdict(at_ms, offered)
        if verdict is True:
            ready += self._accept(offered)
        elif verdict is None:
            self.pending.append(offered)
            del self.pending[:-_MOST_PENDING]
        return ready

    def _review(self, at_ms: int) -> list[Run]:
        self.review_ms = at_ms + _REVIEW_EVERY_MS
        ready: list[Run] = []
        waiting: list[Pending] = []
        for offered in self.pending:
            verdict = self._verdict(at_ms, offered)
            if verdict is True:
                ready += self._accept(offered)
            elif verdict is None:
                waiting.append(offered)
        self.pending = waiting
        return ready

    def _verdict(self, at_ms: int, offered: Pending) -> bool | None:
        """Whether no better source covered the time of a run: True, False, or None while that is not known."""
        rank, draft = self._rank(offered.quantity), offered.draft
        verdict: bool | None = True
        for quantity, tracker in self.trackers.items():
            if quantity is offered.quantity or self._rank(quantity) >= rank:
                continue
            last = tracker.rhythm.last_ms
            if tracker.blind_over(draft.start_ms, draft.stop_ms) or last is None or tracker.rhythm.silent(at_ms):
                continue
            if last < draft.stop_ms + (tracker.rhythm.typical_ms() or 0):
                verdict = None
                continue
            if not tracker.saw(draft.start_ms, draft.stop_ms):
                tracker.told(False)
            return False
        counter = self.counter
        if (
            verdict is True
            and counter is not None
            and rank > _RANK[Quantity.PUMP_ENERGY]
            and self.counter_runs.countable(counter)
            and not counter.rhythm.silent(at_ms)
        ):
            return False
        return verdict

    def _accept(self, offered: Pending) -> list[Run]:
        draft, floor = offered.draft, self.last_stop_ms
        start = draft.start_ms if floor is None else max(draft.start_ms, floor)
        if draft.stop_ms < start or (draft.stop_ms == start and draft.samples == 0):
            return []
        self.last_stop_ms = draft.stop_ms
        energy, power = self._refined(offered, start)
        clipped = offered.supply is Supply.PACK and self._pinned(draft.pinned, draft.samples)
        self.last_start_ms, self.last_blind_ms = start, self.meter.blind_ms
        return [
            Run(
                site=self.site,
                start_ms=start,
                stop_ms=draft.stop_ms,
                energy_wh=energy,
                power_w=power,
                peak_w=draft.peak_w,
                source=offered.quantity,
                supply=offered.supply,
                samples=draft.samples,
                start_censored=draft.start_censored or start > draft.start_ms,
                stop_censored=draft.stop_censored,
                clipped=clipped,
            )
        ]

    def _refined(self, offered: Pending, start_ms: int) -> tuple[float | None, float | None]:
        """Energy [Wh] and power [W] of a run; a sampled run's energy is steadied by those before it, and the meter
        with it where no counter is heard.
        """
        draft, tracker = offered.draft, self.trackers.get(offered.quantity)
        energy, power = draft.energy_wh, draft.power_w
        if tracker is None:
            return energy, power
        length_s = (draft.stop_ms - start_ms) / 1000.0
        if offered.quantity is Quantity.PUMP_CURRENT and energy is not None and power is not None:
            energy, power = energy * self.meter.scale, power * self.meter.scale
        if tracker.yes_no or energy is None:
            energy = self.running_w * length_s / 3600.0
        if draft.gapped or tracker.coarse > _COARSE:
            return energy, power
        cycle_s: float | None = None
        if self.last_start_ms is not None and self.last_blind_ms == self.meter.blind_ms:
            cycle_s = (start_ms - self.last_start_ms) / 1000.0
        sample_s = tracker.rhythm.sample_s
        refined, _ = tracker.size.refine(energy, length_s, cycle_s, sample_s)
        if offered.quantity is self.metering and self.counter is None:
            self.meter.mend(refined - energy)
        return refined, power

    def size(self, now_ms: int) -> RunSize | None:
        """Energy and length of a run, by the source believed now; None where it is too coarse for that."""
        source = self.source(now_ms)
        tracker = self._tracker(source)
        return None if source is None or tracker is None or self._too_coarse(source, tracker) else tracker.size
