"""Wiring mistakes that show in what a broker sends: a second device, a wrong unit, a wrong clock, a wrong flag."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np

from collector.guard import says
from collector.guard.channel import KILO_HIGH, KILO_LOW, RESTLESS_AFTER_MS, RESTLESS_SHARE, rated_w
from collector.guard.lag import ON_TIME_MS
from forecaster.domain.names import legible
from forecaster.domain.quantities import Quantity
from forecaster.domain.readings import Reading
from forecaster.domain.site import Site
from forecaster.domain.times import HOUR_MS

Q = Quantity
LEAST_POWER_W = 20.0
CHATTER = 5
FULL_PERCENT, FALLEN_PERCENT = 99.0, 2.0
CHARGING_W = 20.0
LEAST_PUMPED_WH, KILO = 3.0, 300.0
LEAP_PERCENT, LEAP_PERCENT_PER_H = 20.0, 300.0
"""A charge moves by no more than this at once, and by this rate with the time between (common practice, no source)."""
COARSE_WH = 5.0
"""An energy counter of wider steps shows a small pump's runs only by the dozen (common practice, no source)."""


@dataclass(slots=True)
class HeardChannel:
    """The readings of one quantity and subject, from all of its channels.

    readings : in order of arrival; live : those of them that were not retained messages
    topics : the topics that gave a value, in order of first arrival
    """

    quantity: Quantity
    subject: str
    readings: list[Reading] = field(default_factory=list)
    live: list[Reading] = field(default_factory=list)
    topics: dict[str, None] = field(default_factory=dict)

    def take(self, topic: str, readings: Iterable[Reading], retained: bool) -> None:
        """Add the readings of a message."""
        for reading in readings:
            self.topics[legible(topic)] = None
            self.readings.append(reading)
            if not retained:
                self.live.append(reading)

    @property
    def values(self) -> list[float]:
        """All values, in order of arrival."""
        return [reading.value for reading in self.readings]


Channels = dict[tuple[Quantity, str], HeardChannel]


def several_topics(heard: HeardChannel) -> str | None:
    """Whether several devices publish it; that is refused, not merely doubted."""
    if len(heard.topics) < 2 or heard.quantity is Q.RAIN_EXPECTED:
        return None
    first, *others = heard.topics
    return says.several(first, others)


def doubts(site: Site, heard: HeardChannel, channels: Channels) -> Iterator[str]:
    """What cannot be right about a channel, each with the way to mend it; the clearest first."""
    if not heard.readings:
        return
    yield from _clock(heard)
    match heard.quantity:
        case Q.PACK_CHARGE:
            high = max(heard.values)
            if 0.0 < high <= 1.0:
                yield says.share_for_percent()
            yield from _leaps(heard)
        case Q.PUMP_POWER:
            yield from _power(site, heard)
        case Q.PUMP_ENERGY:
            yield from _counter(heard, channels.get((Q.PUMP_POWER, "")))
        case Q.MAINS_PRESENT:
            yield from _flag(heard, channels)


def _clock(heard: HeardChannel) -> Iterator[str]:
    """A clock that is wrong: all messages that have just arrived carry another time."""
    if heard.quantity is Q.RAIN_EXPECTED or not heard.live:
        return
    lags = [reading.arrived_ms - reading.time_ms for reading in heard.live]
    if min(lags) > ON_TIME_MS or max(lags) < -ON_TIME_MS:
        yield says.off_by(round(float(np.median(lags))))


def _power(site: Site, heard: HeardChannel) -> Iterator[str]:
    rated, low, high = rated_w(site.pump), min(heard.values), max(heard.values)
    if rated is not None and high > 0.0 and KILO_LOW <= rated / high <= KILO_HIGH:
        yield says.kilowatts(high, rated)
    watched_ms = heard.readings[-1].arrived_ms - heard.readings[0].arrived_ms
    if high > LEAST_POWER_W and low > RESTLESS_SHARE * high and watched_ms >= RESTLESS_AFTER_MS:
        yield says.restless(low)


def _counter(heard: HeardChannel, power: HeardChannel | None) -> Iterator[str]:
    """An energy counter that rises a thousand times more slowly than the measured power would make it."""
    if power is None:
        return
    risen = heard.values[-1] - heard.values[0]
    pumped = _pumped_wh(power.readings, heard.readings[0].time_ms, heard.readings[-1].time_ms)
    if pumped >= LEAST_PUMPED_WH and 0.0 < risen < pumped / KILO:
        yield says.kilowatt_hours(risen, pumped)


def _pumped_wh(readings: Sequence[Reading], start_ms: int, stop_ms: int) -> float:
    """Energy within a span, each power taken to hold until the next reading [Wh]."""
    found = sorted((r.time_ms, r.value) for r in readings)
    edges = [*(min(max(at, start_ms), stop_ms) for at, _ in found), stop_ms]
    return math.fsum(v * (edges[k + 1] - edges[k]) for k, (_, v) in enumerate(found)) / 3.6e6


def remark(heard: HeardChannel, channels: Channels) -> str:
    """What a right channel cannot do, with what would; "" where there is nothing to say.

    A pump that is measured by a counter of wide steps alone.
    """
    power = channels.get((Q.PUMP_POWER, ""))
    if heard.quantity is not Q.PUMP_ENERGY or (power is not None and power.readings):
        return ""
    rises = [after - before for before, after in pairwise(heard.values) if after > before]
    return says.coarse_counter(min(rises)) if rises and min(rises) >= COARSE_WH else ""


def _leaps(heard: HeardChannel) -> Iterator[str]:
    """A charge that no pack's can be: it leaps, as gauges do that restart and show 0 or 100 % until they know."""
    found = sorted((reading.time_ms, reading.value) for reading in heard.readings)
    for (then_ms, before), (at_ms, after) in pairwise(found):
        if abs(after - before) > LEAP_PERCENT + LEAP_PERCENT_PER_H * (at_ms - then_ms) / HOUR_MS:
            yield says.leaping(before, after, at_ms - then_ms)
            return


def _flag(heard: HeardChannel, channels: Channels) -> Iterator[str]:
    """A mains flag that changes too often, or that the pack's charge and input contradict."""
    values = heard.values
    if sum(a != b for a, b in pairwise(values)) >= CHATTER:
        yield says.chattering(len(values))
        return
    charge, fed = channels.get((Q.PACK_CHARGE, "")), channels.get((Q.PACK_INPUT_POWER, ""))
    charges = [] if charge is None else charge.values
    inflow_w = float(np.median(fed.values)) if fed is not None and fed.readings else 0.0
    if max(values) < 0.5 and (inflow_w > CHARGING_W or _holds(charges)):
        yield says.inverted()
    elif min(values) > 0.5 and inflow_w < CHARGING_W and _falls(charges):
        yield says.stuck_on(charges[0], charges[-1])


def _holds(charges: Sequence[float]) -> bool:
    """Whether the charge stays full or rises."""
    return len(charges) > 1 and (min(charges) >= FULL_PERCENT or charges[-1] > charges[0])


def _falls(charges: Sequence[float]) -> bool:
    return len(charges) > 1 and charges[0] - charges[-1] >= FALLEN_PERCENT
