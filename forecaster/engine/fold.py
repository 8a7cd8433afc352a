"""One site as a fold over its readings in order of source time: light state, plain numbers, quick to copy.

It tells of events (runs, gaps, transfers, outages) and of evidence for the models; it holds no model itself.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable

import msgspec

from forecaster.domain.quantities import PACK_QUANTITIES, PUMP_QUANTITIES, RUN_SOURCES, Quantity
from forecaster.domain.runs import Gap, Outage, Run, Supply, Transfer
from forecaster.domain.site import Site
from forecaster.domain.times import HOUR_MS
from forecaster.engine.accounts import Accounts, Mark
from forecaster.engine.bank import PackBank, of_the_house
from forecaster.engine.began import began
from forecaster.engine.buffer import ORDER, Held, key_of
from forecaster.engine.evidence import Clipped, Drained, Ended, FoldOutput, RainSpan, Warmth
from forecaster.engine.gauge import GaugeFilter
from forecaster.engine.lifting import Lifting
from forecaster.engine.loads import Stream, total_wh
from forecaster.engine.normals import Normals
from forecaster.engine.rests import Rests
from forecaster.engine.second import SecondPump
from forecaster.engine.signs import Signs
from forecaster.engine.spans import Spans
from forecaster.engine.supply import SupplyChange, SupplyTracker
from forecaster.engine.unheard import FILL_DUTY, LateCourse, healed, note_missed, unheard_ms
from forecaster.segment import Rhythm, Segmenter, Tracker
from forecaster.segment.rhythm import LEAST_SILENCE_MS

_RAIN_EVERY_MS = _WARMTH_EVERY_MS = 900_000


class Fold(msgspec.Struct):
    """The state of one site.

    heard : the newest source time taken, by quantity and subject; older readings are too late
    late : int — number of readings that came too late and were left out
    """

    site: str
    listed_w: dict[str, float]
    segmenter: Segmenter
    supply: SupplyTracker
    accounts: Accounts
    spans: Spans = msgspec.field(default_factory=Spans)
    normals: Normals = msgspec.field(default_factory=Normals)
    signs: Signs = msgspec.field(default_factory=Signs)
    heard: dict[str, int] = msgspec.field(default_factory=dict)
    rhythms: dict[str, Rhythm] = msgspec.field(default_factory=dict)
    stated_ms: dict[str, int] = msgspec.field(default_factory=dict)
    loads: dict[str, Stream] = msgspec.field(default_factory=dict)
    pack_input: Stream = msgspec.field(default_factory=Stream)
    other_output: Stream = msgspec.field(default_factory=Stream)
    rain_from_ms: int | None = None
    rain_mm: float = 0.0
    rain_rate: float = 0.0
    warmth_ms: int = 0
    now_ms: int = -1
    late: int = 0
    outage_forecast_h: tuple[float, float, float] | None = None
    forecasts_made: int = 0
    left_percent: float | None = None
    left_ms: int | None = None
    clipped: bool = False
    begun_anew_ms: dict[str, int] = msgspec.field(default_factory=dict)
    gauge: GaugeFilter = msgspec.field(default_factory=GaugeFilter)
    late_course: LateCourse = msgspec.field(default_factory=LateCourse)
    bank: PackBank | None = None
    second: SecondPump | None = None
    rests: Rests = msgspec.field(default_factory=Rests)

    @classmethod
    def of(cls, site: Site) -> Fold:
        """A new fold of a site of which nothing has been heard."""
        stated = {
            key_of(channel.quantity, channel.of): round(channel.max_silence_s * 1000.0)
            for channel in site.channels
            if channel.max_silence_s is not None
        }
        return cls(
            site=site.id,
            listed_w={load.name: load.mean_w for load in site.loads},
            segmenter=Segmenter.of(site),
            supply=SupplyTracker.of(stated.get(Quantity.MAINS_PRESENT)),
            accounts=Accounts(reserve_percent=site.pack.reserve_percent),
            stated_ms=stated,
            bank=PackBank.of(site, stated),
            second=SecondPump.of(site),
        )

    def adapt(self, site: Site) -> None:
        """Apply what the owner may have changed in the site file since the state was saved."""
        fresh = Fold.of(site)
        self.listed_w, self.stated_ms = fresh.listed_w, fresh.stated_ms
        self.accounts.reserve_percent = site.pack.reserve_percent
        self.segmenter.adapt(fresh.segmenter)
        for key, rhythm in self.rhythms.items():
            rhythm.stated_ms = fresh.stated_ms.get(key)
        self.supply.mains.stated_ms = fresh.stated_ms.get(Quantity.MAINS_PRESENT)
        self.supply.taken_up()
        self.bank = fresh.bank if self.bank is None else self.bank.adapted(fresh.bank)
        self.second = fresh.second if self.second is None else self.second.adapted(fresh.second)

    def begin_anew(self, part: str) -> None:
        """Forget what was learnt where a changed part of the site file concerns it; a clipped run is told of again."""
        self.begun_anew_ms[part] = self.now_ms
        self.clipped = self.clipped and part not in ("pack", "losses")
        if part in ("pump", "pit"):
            self.segmenter.begin_anew(levels=part == "pump")
            self.normals = Normals(last_run=self.normals.last_run, starts_ms=self.normals.starts_ms)
            self.signs = Signs()
        elif part == "second_pump" and self.second is not None:
            self.second.begin_anew()

    def pass_time(self, at_ms: int, told: FoldOutput) -> None:
        """Apply what a mains sensor has by now reported for long enough, although no new reading has come."""
        if (change := self.supply.pass_time(at_ms)) is not None:
            self._transfer(change, told)

    def take(self, items: Iterable[Held], told: FoldOutput, hear: Callable[[], None] | None = None) -> None:
        """Fold readings, ordered by source time. hear : called after each reading that left evidence."""
        heard = self.heard
        for at_ms, code, subject, _, value in of_the_house(self.bank, items, lambda: self.accounts.on_pack):
            quantity = ORDER[code]
            key = f"{quantity}/{subject}" if subject else quantity
            before = heard.get(key, -1)
            if at_ms <= before:
                self.late += 1
                continue
            heard[key] = at_ms
            if at_ms - before > LEAST_SILENCE_MS and before >= 0:
                self._gap(before, at_ms, quantity, key, told)
            if at_ms > self.now_ms:
                if at_ms - self.now_ms > LEAST_SILENCE_MS:
                    self._house_unheard(at_ms)
                self.now_ms = at_ms
            if subject and quantity in PUMP_QUANTITIES:
                self._second(at_ms, subject, quantity, value, told)
            elif quantity in _RUN_SOURCES:
                self._run_source(at_ms, quantity, value, told)
            else:
                _TAKERS.get(quantity, Fold._plain)(self, at_ms, key, value, told)
            if hear is not None and told.evidence:
                hear()
        if self.late_course.points:
            self._heal(told)

    def _heal(self, told: FoldOutput) -> None:
        """Report what late readings of the pump show about a time for which its energy was only estimated."""
        opened, points = self.accounts.opened, self.late_course.take()
        if opened is not None and self.accounts.on_pack:
            blind_h = (self.segmenter.meter.blind_ms - opened.blind_ms) / HOUR_MS
            told.evidence += healed(points, opened, blind_h * self._fill_w(), self.segmenter.lump_wh(self.now_ms))

    def _fill_w(self) -> float:
        """The mean power that the pump is taken to draw while it is not heard [W]."""
        recent_w = self.spans.recent_w
        if self.second is not None and self.second.taken_ms is not None:
            recent_w = self.second.drawn_w
        return FILL_DUTY * self.segmenter.running_w if recent_w is None else recent_w

    def rhythm(self, quantity: Quantity, key: str) -> Rhythm | None:
        """The rhythm of one stream; None where it was never heard."""
        if self.bank is not None and quantity in PACK_QUANTITIES and key != quantity:
            return self.bank.rhythm(quantity, key.partition("/")[2])
        if quantity in PUMP_QUANTITIES and key != quantity:
            return None if self.second is None else self.second.rhythm(quantity, key.partition("/")[2])
        if quantity in (streams := self.segmenter.streams()):
            return streams[quantity]
        if quantity is Quantity.MAINS_PRESENT:
            return self.supply.mains
        return self.rhythms.get(key)

    def _gap(self, start_ms: int, stop_ms: int, quantity: Quantity, key: str, told: FoldOutput) -> None:
        pump = key.partition("/")[2] if quantity in PUMP_QUANTITIES else ""
        rhythm = self.rhythm(quantity, key)
        if rhythm is not None and stop_ms - start_ms > rhythm.silence_ms:
            told.events.append(Gap(self.site, quantity, start_ms, stop_ms, pump))

    def _house_unheard(self, until_ms: int) -> None:
        streams = (self.supply.mains, *self.rhythms.values())
        note_missed(self.segmenter, streams, self.now_ms, until_ms, self.normals.recent_interval_s())

    # -- the pump

    @property
    def lifting(self) -> Lifting:
        """The runs of the first pump."""
        return Lifting(self.segmenter, self.spans, self.normals, self.signs)

    @property
    def drawn_wh(self) -> float:
        """What the pumps have drawn at the plug since the beginning [Wh]."""
        return self.segmenter.meter.total_wh + (0.0 if self.second is None else self.second.drawn_wh)

    @property
    def output(self) -> Tracker | None:
        """The pack's output, where it was heard."""
        if self.second is None:
            return self.segmenter.trackers.get(Quantity.PACK_OUTPUT_POWER)
        return None if self.second.output.rhythm.last_ms is None else self.second.output

    def _second(self, at_ms: int, subject: str, quantity: Quantity, value: float, told: FoldOutput) -> None:
        """Take a reading of the second pump; what is stored of one that is no longer in the site file tells nothing."""
        if self.second is not None and subject == self.second.id:
            alone = self.bank is not None and self.bank.first_is_empty
            told.add(*self.second.take(at_ms, quantity, value, self.supply.supply, self.lifting, alone=alone))

    def _run_source(self, at_ms: int, quantity: Quantity, value: float, told: FoldOutput) -> None:
        segmenter = self.segmenter
        if quantity is Quantity.PACK_OUTPUT_POWER:
            self._output(at_ms, value)
        if self.supply.flag is not self.supply.supply:
            self.pass_time(at_ms, told)
        if self.second is not None and quantity is Quantity.PACK_OUTPUT_POWER:
            self._rhythm(quantity).heard(at_ms, value)
            self.second.output.feed(at_ms, value, value)  # it carries both pumps, and tells neither one's runs
            return
        runs = segmenter.feed(at_ms, quantity, value, self.supply.supply)
        self.signs.sign(segmenter, at_ms, quantity, self.spans.recent_w)
        if self.accounts.on_pack and self.late_course.note(at_ms, self.now_ms, self.drawn_wh):
            self.accounts.began_late(at_ms, self.drawn_wh)
        for run in runs or ():
            self._run(run, told)
        if at_ms >= self.spans.due_ms and (span := self.spans.window(at_ms, segmenter)) is not None:
            told.evidence.append(span if self.second is None else self.second.with_lifted(span))

    def _run(self, run: Run, told: FoldOutput) -> None:
        told.events.append(run)
        if run.clipped and not self.clipped and run.power_w is not None:
            self.clipped = True
            told.evidence.append(Clipped(run.power_w))
        span = self.lifting.run(run)
        if self.second is not None:
            self.second.first_ran()
            span = None if span is None else self.second.with_lifted(span)
        if span is not None:
            told.evidence.append(span)

    def _output(self, at_ms: int, watts: float) -> None:
        """What the pack carries beside the pump: its output between runs; during a run, the level before it."""
        if (tracker := self.output) is None:
            return
        base = tracker.levels.idle_w if watts >= tracker.levels.on_w else watts
        self.rests.feed(at_ms, watts, tracker.levels.on_w, tracker.rhythm.gap_ms)
        self.other_output.feed(at_ms, base if base > 0.0 else 0.0, tracker.rhythm.gap_ms)

    # -- the pack

    def _mark(self, at_ms: int, percent: float) -> Mark:
        loads_wh = total_wh(self.loads, self.listed_w, self.other_output, at_ms) or 0.0
        blind_ms, input_wh = self.segmenter.meter.blind_ms, self.pack_input.total_at(at_ms)
        return Mark(at_ms, percent, self.drawn_wh, blind_ms, loads_wh, input_wh)

    def drained(self, at_ms: int, percent: float | None) -> Drained | None:
        """Counted since the transfer, and what is booked for the time of a pump not heard. None on mains."""
        opened = self.accounts.opened
        if opened is None or not self.accounts.on_pack:
            return None
        mark = self._mark(at_ms, percent or 0.0)
        blind_ms = mark.blind_ms - opened.blind_ms + unheard_ms(self.segmenter, opened.at_ms, at_ms)
        blind_ms = min(blind_ms, elapsed_ms := max(at_ms - opened.at_ms, 0))
        has_loads = bool(self.loads) or self.other_output.mean_w is not None
        rested_ms = 0.0 if self.bank is None else self.bank.resting_ms(at_ms, loads=not has_loads)
        return Drained(
            at_ms=at_ms,
            charge_percent=percent,
            plug_wh=max(mark.plug_wh - opened.plug_wh, 0.0),
            elapsed_s=max(elapsed_ms - rested_ms, 0.0) / 1000.0,
            charging_wh=max(mark.input_wh - opened.input_wh, 0.0),
            loads_wh=max(mark.loads_wh - opened.loads_wh, 0.0) if has_loads else None,
            lump_wh=self.segmenter.lump_wh(at_ms),
            unheard_wh=blind_ms / HOUR_MS * self._fill_w(),
            seldom=self.lifting.seldom(at_ms),
            grain_wh=self.lifting.grain_wh(at_ms),
            walk_wh=self.lifting.walk_wh(at_ms),
        )

    def _charge(self, at_ms: int, key: str, value: float, told: FoldOutput) -> None:
        self._rhythm(key).heard(at_ms, value)
        if (percent := self.gauge.take(at_ms, value, self.supply.step_percent)) is None:
            return
        change = self.supply.on_charge(at_ms, percent)
        mark = self._mark(at_ms, percent)
        if change is not None:
            self._transfer(change, told)
        elif self.supply.high_ms == at_ms:
            self.accounts.peak = mark
        worth = self.accounts.charge(mark) and not self.supply.returning(at_ms)
        if worth and (drained := self.drained(at_ms, percent)) is not None:
            told.evidence.append(drained)

    def _mains(self, at_ms: int, key: str, value: float, told: FoldOutput) -> None:
        del key
        if (change := self.supply.on_mains(at_ms, value)) is not None:
            self._transfer(change, told)

    def _input(self, at_ms: int, key: str, value: float, told: FoldOutput) -> None:
        rhythm = self._rhythm(key)
        rhythm.heard(at_ms, value)
        self.pack_input.feed(at_ms, max(value, 0.0), rhythm.gap_ms)
        if (change := self.supply.on_input(at_ms, value)) is not None:
            self._transfer(change, told)

    def _transfer(self, change: SupplyChange, told: FoldOutput) -> None:
        told.events.append(Transfer(self.site, change.at_ms, change.to, change.inferred))
        accounts = self.accounts
        if change.to is Supply.PACK:
            percent = self.accounts.charge_at(change.at_ms)
            self.pack_input.cut(change.at_ms)
            accounts.open(self._mark(change.at_ms, percent or 0.0), percent, change.at_ms)
            self.normals.await_first_since_ms, self.normals.first_on_pack = change.at_ms, None
            self.outage_forecast_h, self.forecasts_made = None, 0
            told.evidence.append(began(change, percent, self.supply.charge_percent, accounts))
            told.events.append(Outage(self.site, change.at_ms, None, change.inferred, percent))
        elif accounts.on_pack:
            last = self.drained(change.at_ms, None)
            if last is not None:
                told.evidence.append(last)
            told.events.append(self.outage(change.at_ms))
            accounts.close()
            told.evidence.append(Ended(change.at_ms))

    def outage(self, end_ms: int | None) -> Outage:
        """The present outage, as far as it went."""
        accounts = self.accounts
        counted = None if end_ms is None else self.drained(end_ms, None)
        return Outage(
            site=self.site,
            start_ms=accounts.since_ms,
            end_ms=end_ms,
            inferred=self.supply.inferred,
            start_charge_percent=accounts.start_percent,
            lowest_charge_percent=accounts.lowest_percent,
            energy_used_wh=None if counted is None else counted.outlet_wh,
            forecast_h=self.outage_forecast_h,
            reached_reserve_ms=accounts.reached_ms,
        )

    # -- all else

    def _rhythm(self, key: str) -> Rhythm:
        if (rhythm := self.rhythms.get(key)) is None:
            rhythm = self.rhythms[key] = Rhythm(stated_ms=self.stated_ms.get(key))
        return rhythm

    def _plain(self, at_ms: int, key: str, value: float, told: FoldOutput) -> None:
        del told
        self._rhythm(key).heard(at_ms, value)

    def _temperature(self, at_ms: int, key: str, value: float, told: FoldOutput) -> None:
        self._rhythm(key).heard(at_ms, value)
        if at_ms - self.warmth_ms >= _WARMTH_EVERY_MS:
            self.warmth_ms = at_ms
            told.evidence.append(Warmth(value))

    def _load(self, at_ms: int, key: str, value: float, told: FoldOutput) -> None:
        del told
        name = key.partition("/")[2]
        if (stream := self.loads.get(name)) is None:
            stream = self.loads[name] = Stream()
        rhythm = self._rhythm(key)
        rhythm.heard(at_ms, value)
        stream.feed(at_ms, max(value, 0.0), rhythm.gap_ms)

    def _rain_depth(self, at_ms: int, key: str, value: float, told: FoldOutput) -> None:
        self._rhythm(key).heard(at_ms, value)
        self._rain(at_ms, value, told)

    def _rain_rate(self, at_ms: int, key: str, value: float, told: FoldOutput) -> None:
        rhythm = self._rhythm(key)
        interval = rhythm.heard(at_ms, value)
        held = self.rain_rate if interval is not None and interval <= rhythm.gap_ms else 0.0
        self.rain_rate = value
        if key_of(Quantity.RAIN_DEPTH, "") not in self.rhythms:
            self._rain(at_ms, held * (interval or 0) / HOUR_MS, told)

    def _rain(self, at_ms: int, depth_mm: float, told: FoldOutput) -> None:
        self.rain_from_ms = at_ms if self.rain_from_ms is None else self.rain_from_ms
        self.rain_mm += depth_mm
        if at_ms - self.rain_from_ms >= _RAIN_EVERY_MS:
            told.evidence.append(RainSpan(self.rain_from_ms, at_ms, self.rain_mm))
            self.rain_from_ms, self.rain_mm = at_ms, 0.0


_RUN_SOURCES = frozenset(RUN_SOURCES)
_TAKERS: dict[Quantity, Callable[[Fold, int, str, float, FoldOutput], None]] = {
    Quantity.MAINS_PRESENT: Fold._mains,
    Quantity.PACK_CHARGE: Fold._charge,
    Quantity.PACK_INPUT_POWER: Fold._input,
    Quantity.PACK_TEMPERATURE: Fold._temperature,
    Quantity.LOAD_POWER: Fold._load,
    Quantity.RAIN_DEPTH: Fold._rain_depth,
    Quantity.RAIN_RATE: Fold._rain_rate,
}
"""What tells the models something; of every other quantity the newest value and its rhythm are kept."""
