"""One channel judged by its messages (topics, values, clocks), and which of its readings are let through."""

from __future__ import annotations

from dataclasses import dataclass, replace

from collector.guard import says
from collector.guard.lag import ClockLag
from collector.guard.window import Window
from forecaster.domain.channels import ChannelDoubt, ChannelFacts, DoubtKind
from forecaster.domain.quantities import SPECS, STATES, Kind, Quantity
from forecaster.domain.readings import Reading
from forecaster.domain.site import Pump, Site

FRESH_MS = 900_000
"""A topic counts as heard within this time, or within three of its usual intervals [ms]."""

FEW_TAKEN = 3
"""As long as there are so few readings, some are let through among refused ones: it is not known yet which is usual."""

CHARGE_APART = 2.0
"""A second pack is followed instead once its charge is lower by this much [%]."""

SHARE_AFTER, SHARE_AFTER_MS = 10, 300_000
KILO_LOW, KILO_HIGH = 300.0, 3000.0
KILO_RISES = 3
RESTLESS_AFTER_MS = 480_000
RESTLESS_SHARE = 0.3
POWERS = (Quantity.PUMP_POWER,)


def rated_w(pump: Pump) -> float | None:
    """Running power by the nameplate [W]; None where the nameplate does not tell."""
    if pump.rated_power_w is not None:
        return pump.rated_power_w
    if pump.rated_voltage_v is None or pump.rated_current_a is None:
        return None
    return pump.rated_voltage_v * sum(pump.rated_current_a) / 2.0 * (pump.power_factor or 0.8)


@dataclass(slots=True)
class Speaker:
    """The device behind one topic: when first and last heard, usual interval [ms], last and greatest value."""

    first_ms: int
    last_ms: int
    pause_ms: float
    value: float
    high: float

    def speaks(self, now_ms: int) -> bool:
        """Whether the device is still heard."""
        return now_ms - self.last_ms <= max(FRESH_MS, 3.0 * self.pause_ms)


class GuardedChannel:
    """The guard of one channel (site, quantity, subject)."""

    def __init__(self, site: Site, quantity: Quantity, subject: str, kept: ChannelFacts | None = None) -> None:
        self.site, self.quantity, self.subject = site, quantity, subject
        self.rated_w = rated_w(site.pump)
        self.amounts, self.amount_ms = SPECS[quantity].kind is Kind.AMOUNT, 0
        self.window = Window()
        self.speakers: dict[str, Speaker] = {}
        self.taken_topic: str | None = None
        self.heard_ms: int | None = None
        self.doubts: dict[DoubtKind, ChannelDoubt] = {}
        self.lag = ClockLag()
        self.high: float | None = None
        self.low: float | None = None
        self.rested = False
        self.rises = 0
        self.first_ms: int | None = None
        self.changed = False
        self.told_ms: dict[str, int] = {}
        if kept is not None:
            self.high, self.rested, self.lag = kept.high, kept.rested, ClockLag(kept.lag_ms)
            self.taken_topic = kept.topics[0] if kept.topics else None

    # -- in

    def refuse(self, topic: str, reason: str, at_ms: int) -> None:
        """Record an unreadable message, unless it comes from another device whose messages never could be read."""
        self.heard_ms = at_ms
        if self.taken_topic is not None and topic != self.taken_topic and topic not in self.speakers:
            return
        self.window.refuse(at_ms, reason)
        self._judge_refusals(at_ms)

    def admit(self, reading: Reading, topic: str) -> Reading | str:
        """The reading as it may be stored, or the reason why it may not."""
        at_ms, value = reading.arrived_ms, reading.value
        counts = self.window.turn(at_ms)
        self.heard_ms = at_ms
        if self.first_ms is None:
            self.first_ms = at_ms
        speaker = self.speakers.get(topic)
        if speaker is None or speaker.value != value:
            self.window.news(counts)
        self._hear(topic, speaker, at_ms, value)
        counts.taken += 1
        if len(self.speakers) > 1 or topic != self.taken_topic:
            self._choose(topic, at_ms)
        if topic == self.taken_topic and self.quantity not in STATES:
            self._judge_values(value, at_ms)
        why = self._why_not(topic, at_ms)
        if why is None and reading.time_ms != at_ms:
            time_ms = self._timed(reading)
            if time_ms is None:
                why = says.ahead(reading.time_ms - at_ms)
            elif time_ms != reading.time_ms:
                reading = replace(reading, time_ms=time_ms)
        if why is None:
            return self._apart(reading) if self.amounts else reading
        counts.withheld += 1
        return why

    def _hear(self, topic: str, speaker: Speaker | None, at_ms: int, value: float) -> None:
        if speaker is None:
            self.speakers[topic] = Speaker(at_ms, at_ms, 0.0, value, value)
            return
        speaker.pause_ms += 0.2 * (at_ms - speaker.last_ms - speaker.pause_ms)
        speaker.last_ms, speaker.value = at_ms, value
        speaker.high = max(speaker.high, value)

    def _timed(self, reading: Reading) -> int | None:
        """The time to be believed. A doubt about the clock is raised, or ended."""
        before = self.lag.ms
        time_ms = self.lag.corrected(reading.time_ms, reading.arrived_ms)
        if self.lag.ms != before:
            self.changed = True
            if self.lag.ms is None:
                self.doubts.pop(DoubtKind.CLOCK, None)
            else:
                self._doubt(DoubtKind.CLOCK, reading.arrived_ms, says.lag(self.lag.ms))
        return time_ms

    def _apart(self, reading: Reading) -> Reading:
        """Gives amounts without a time of their own that arrive within one millisecond times a millisecond apart."""
        if reading.time_ms != reading.arrived_ms:
            return reading
        time_ms = max(reading.time_ms, self.amount_ms + 1)
        self.amount_ms = time_ms
        return reading if time_ms == reading.time_ms else replace(reading, time_ms=time_ms)

    # -- judgements

    def _why_not(self, topic: str, at_ms: int) -> str | None:
        """Why readings of this topic cannot be samples now; None where they can."""
        if topic != self.taken_topic:
            return says.one_of_several(self.taken_topic or "another")
        if self._maybe_share:
            return says.share_for_percent()
        doubts = self.doubts
        if not doubts:
            return None
        if DoubtKind.REFUSING in doubts:
            self._judge_refusals(at_ms)
            if DoubtKind.REFUSING in doubts and self.window.taken > FEW_TAKEN:
                return doubts[DoubtKind.REFUSING].says
        return doubts[DoubtKind.SCALE].says if DoubtKind.SCALE in doubts else None

    @property
    def _maybe_share(self) -> bool:
        """Whether all charges so far may be shares of 1 instead of percents: none is a sample until that is known."""
        return self.quantity is Quantity.PACK_CHARGE and self.high is not None and 0.0 < self.high <= 1.0

    def _judge_refusals(self, at_ms: int) -> None:
        window = self.window
        if not window.refuses_much:
            self._settle(DoubtKind.REFUSING)
        elif window.refused:
            said = says.refusing(window.refused, window.refused + window.taken, window.reason)
            self._doubt(DoubtKind.REFUSING, at_ms, said)

    def _choose(self, topic: str, at_ms: int) -> None:
        """Choose the topic to believe: the present one, until it is silent or another is clearly right, or worse."""
        for name in [name for name, one in self.speakers.items() if not one.speaks(at_ms)]:
            del self.speakers[name]
        if self.taken_topic not in self.speakers:
            known = self.taken_topic is not None and not self.speakers.keys() - {topic}
            self.taken_topic = topic if known or self.taken_topic is None else next(iter(self.speakers))
            self.changed = True
        better = self._preferred(self.taken_topic)
        if better != self.taken_topic:
            self.taken_topic, self.changed = better, True
        others = [name for name in self.speakers if name != self.taken_topic]
        if others:
            self._doubt(DoubtKind.TOPICS, at_ms, says.topics(self.taken_topic, sorted(others)))
        else:
            self._settle(DoubtKind.TOPICS)

    def _preferred(self, taken: str) -> str:
        """The topic with the lower charge, or the power nearest to the nameplate's; else the present one."""
        if self.quantity is Quantity.PACK_CHARGE:
            lowest = min(self.speakers, key=lambda name: self.speakers[name].value)
            return lowest if self.speakers[lowest].value < self.speakers[taken].value - CHARGE_APART else taken
        if self.quantity in POWERS and self.rated_w is not None:
            rated = self.rated_w
            near = {name: _times_off(one.high, rated) for name, one in self.speakers.items()}
            best = min(near, key=lambda name: near[name])
            return best if near[best] < 0.5 * near[taken] else taken
        return taken

    def _judge_values(self, value: float, at_ms: int) -> None:
        high = self.high
        if high is None or value > high:
            self.high = value
            self.changed = self.changed or high is None or value > 1.05 * high
        if self.quantity is Quantity.PACK_CHARGE:
            if self.high is not None and self.high <= 1.0:
                self._judge_share(at_ms)
            elif DoubtKind.SCALE in self.doubts:
                self._settle(DoubtKind.SCALE)
        elif self.quantity in POWERS and not (self.rested and self.high is not None and self.high > KILO_RISES):
            self._judge_power(value, at_ms)

    def _judge_share(self, at_ms: int) -> None:
        """Doubt a charge that is never above 1 and not always 0."""
        enough = self.window.taken >= SHARE_AFTER and self._watched(at_ms, SHARE_AFTER_MS)
        if self.high and enough:
            self._doubt(DoubtKind.SCALE, at_ms, says.share_for_percent())

    def _judge_power(self, value: float, at_ms: int) -> None:
        """Doubt a power that is a thousand times too small, or that never falls to rest."""
        high = self.high or 0.0
        low = value if self.low is None else min(self.low, value)
        self.rises += self.low is not None and value > 0.7 * high > 0.0 and low < RESTLESS_SHARE * high
        self.low = low
        if not self.rested and low < RESTLESS_SHARE * high:
            self.rested = self.changed = True
            self._settle(DoubtKind.RESTLESS)
        elif not self.rested and high > 20.0 and self._watched(at_ms, RESTLESS_AFTER_MS):
            self._doubt(DoubtKind.RESTLESS, at_ms, says.restless(low))
        rated = self.rated_w
        if rated is None or high <= 0.0 or not KILO_LOW <= rated / high <= KILO_HIGH:
            self._settle(DoubtKind.SCALE)
        elif self.rises >= KILO_RISES:
            self._doubt(DoubtKind.SCALE, at_ms, says.kilowatts(high, rated))

    def _watched(self, at_ms: int, for_ms: int) -> bool:
        return self.first_ms is not None and at_ms - self.first_ms >= for_ms

    def _doubt(self, kind: DoubtKind, at_ms: int, said: str) -> None:
        before = self.doubts.get(kind)
        if before is None:
            self.changed = True
        self.doubts[kind] = ChannelDoubt(kind, at_ms if before is None else before.since_ms, said)

    def _settle(self, kind: DoubtKind) -> None:
        if self.doubts.pop(kind, None) is not None:
            self.changed = True

    # -- out

    def facts(self) -> ChannelFacts:
        """The present facts of the channel."""
        window = self.window
        others = sorted(name for name in self.speakers if name != self.taken_topic)
        return ChannelFacts(
            site=self.site.id,
            quantity=self.quantity,
            subject=self.subject,
            taken=window.taken - window.withheld,
            refused=window.refused,
            withheld=window.withheld,
            topics=(() if self.taken_topic is None else (self.taken_topic,)) + tuple(others[:7]),
            heard_ms=self.heard_ms,
            doubts=tuple(self.doubts.values()),
            high=self.high,
            lag_ms=self.lag.ms,
            rested=self.rested,
        )


def _times_off(value: float, rated: float) -> float:
    """How far a value is from the rated one, as the absolute logarithm of their ratio."""
    return max(value, 1e-3) / rated - 1.0 if value > rated else rated / max(value, 1e-3) - 1.0
