"""Bytes to readings, or to a refusal with its reason. Pure: no clock, no I/O, raises nothing."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any
from zoneinfo import ZoneInfo

from collector.decode.jsonpath import MISSING, Finder, Getter, compile_path, compile_single
from collector.decode.senml import SenmlRecord, looks_like_pack, resolve
from collector.decode.strict_json import MAX_BYTES, parse
from collector.decode.text_rule import rule_of, site_time_ms
from collector.decode.topics import TopicMap
from collector.decode.units import IDENTITY, Conversion, conversion, senml_conversion
from collector.decode.values import EARLIEST_MS, YesNo, number, number_in_text, shown, source_time_ms
from forecaster.domain.errors import PayloadError
from forecaster.domain.quantities import SPECS, STATES, Quantity
from forecaster.domain.readings import Reading, Refusal
from forecaster.domain.site import Channel, PayloadFormat, Site
from forecaster.domain.times import DAY_MS
from forecaster.texts.catalogue import words

KEPT_BYTES = 4096
"""How much of a refused payload is kept [bytes]."""

AHEAD_MS = DAY_MS
"""How far ahead of its arrival a source time is believed [ms]."""

RAIN_AHEAD_MS = 16 * DAY_MS
"""The same for rain to come [ms]."""


@dataclass(frozen=True, slots=True)
class Decoded:
    """What one message gave.

    readings : tuple — to be stored
    refusals : tuple — to be quarantined, each with its reason
    last_known : tuple — retained values without a source time: their age is unknown, so they are never samples
    faults : tuple — the channels that could not read the message
    """

    readings: tuple[Reading, ...] = ()
    refusals: tuple[Refusal, ...] = ()
    last_known: tuple[Reading, ...] = ()
    faults: tuple[ChannelFault, ...] = ()


ChannelFault = tuple[str, Quantity, str, str, int]
"""A channel that could not read a message: site, quantity, subject, reason, arrival [ms]."""

NOTHING = Decoded()
_UNPARSED = object()


class _ChannelPlan:
    """One channel of one site, with everything that is prepared before the first message."""

    def __init__(self, site: str, channel: Channel, zone: str = "UTC") -> None:
        self.site, self.channel, self.quantity, self.subject = site, channel, channel.quantity, channel.of
        self.rule = rule_of(channel)
        self.zone = ZoneInfo(zone) if channel.naive_time == "site" else None
        spec = SPECS[channel.quantity]
        self.low, self.high, self.unit = spec.low, spec.high, spec.unit
        self.ahead_ms = RAIN_AHEAD_MS if channel.quantity is Quantity.RAIN_EXPECTED else AHEAD_MS
        self.words = YesNo(channel.true_words, channel.false_words) if channel.quantity in STATES else None
        found = conversion(channel.unit, spec.unit)
        if found is None:
            raise ValueError(words()("payload.unit_does_not_convert_to", unit=channel.unit, unit_2=spec.unit))
        self.conversion: Conversion = found
        self.senml = channel.format is PayloadFormat.SENML
        self.record_name = channel.value if channel.value is not None and not channel.value.startswith("$") else None
        path = channel.value if self.record_name is None else None
        self.find: Finder | None = None if path is None else compile_path(path)
        self.find_time: Finder | None = None if channel.time is None else compile_path(channel.time)
        self.bare = self.find is None and self.find_time is None and not self.senml
        self.one: Getter | None = None if path is None or self.senml else compile_single(path)
        self.one_time: Getter | None = None if channel.time is None else compile_single(channel.time)
        self.timed = channel.time is not None
        self.quick = self.one is not None and self.words is None and (self.one_time is not None or not self.timed)
        self.quick = self.quick and self.rule is None
        self.raw = self.bare and self.rule is not None and self.rule.within

    def convert(self, value: Any, rule: Conversion) -> float:
        """A raw value converted to the stored unit. PayloadError where it is not within the believable range."""
        if self.rule is not None:
            value = self.rule.read(value)
        if self.words is not None:
            return self.words.read(value)
        x = number(value)
        if rule is not IDENTITY:
            x = x * rule.scale + rule.offset
        if self.low <= x <= self.high:
            return x
        raise PayloadError(
            words()(
                "payload.is_outside_to",
                quantity=self.quantity.value,
                value=shown(value),
                low=self.low,
                high=self.high,
                unit=self.unit,
            ).rstrip()
        )

    def at_once(self, document: Any, arrived_ms: int) -> Reading | None:
        """The fast path: the reading of a valid number under plain paths; None where the full decoding is needed."""
        assert self.one is not None
        value = self.one(document)
        if type(value) is not float:
            if type(value) is not int or not -SMALL < value < SMALL:
                return None
            value = float(value)
        if self.conversion is not IDENTITY:
            value = value * self.conversion.scale + self.conversion.offset
        if not self.low <= value <= self.high:
            return None
        time_ms = arrived_ms
        if self.one_time is not None:
            found = self.one_time(document)
            if found is MISSING:
                return None
            try:
                time_ms = source_time_ms(found)
            except PayloadError:
                return None
            if not EARLIEST_MS <= time_ms <= arrived_ms + self.ahead_ms:
                return None
        return Reading(self.site, self.quantity, time_ms, value, arrived_ms, self.subject)

    def believed(self, time_ms: int, arrived_ms: int) -> int:
        """A source time, if it lies within the plausible range."""
        if EARLIEST_MS <= time_ms <= arrived_ms + self.ahead_ms:
            return time_ms
        if time_ms < EARLIEST_MS:
            raise PayloadError(words()("payload.the_source_time_ms_is_before", time_ms=time_ms))
        days = (time_ms - arrived_ms) / DAY_MS
        raise PayloadError(words()("payload.the_source_time_is_days_ahead", days=days))

    def from_text(self, payload: bytes) -> float:
        """The payload itself as the value."""
        try:
            text = payload.decode()
        except UnicodeDecodeError as error:
            raise PayloadError(words()("payload.the_payload_is_not_utf_8")) from error
        if self.rule is not None:
            return self.convert(text, self.conversion)
        if self.words is not None:
            return self.words.read(text.strip())
        if self.conversion is IDENTITY:
            x = number_in_text(text)
            if self.low <= x <= self.high:
                return x
        return self.convert(text, self.conversion)

    def from_json(self, document: Any, arrived_ms: int) -> list[tuple[int | None, float]]:
        """(source time or None, value) of everything that the paths select."""
        find = self.find
        if find is None:
            if type(document) is dict or type(document) is list:
                raise PayloadError(words()("payload.the_payload_is_a_json_object"))
            values: Sequence[Any] = (document,)
        else:
            values = find(document)
            if not values:
                raise PayloadError(words()("payload.there_is_nothing_at", channel=self.channel.value))
        if self.find_time is None:
            if len(values) > 1:
                raise PayloadError(
                    words()("payload.selects_values_and_none_has_a", channel=self.channel.value, count=len(values))
                )
            return [(None, self.convert(values[0], self.conversion))]
        times = self.find_time(document)
        if len(times) != len(values):
            raise PayloadError(
                words()(
                    "payload.selects_values_but_selects_times",
                    channel=self.channel.value,
                    count=len(values),
                    time=self.channel.time,
                    count_2=len(times),
                )
            )
        return [
            (self.believed(self._time(t, arrived_ms), arrived_ms), self.convert(v, self.conversion))
            for t, v in zip(times, values, strict=True)
        ]

    def _time(self, value: Any, arrived_ms: int) -> int:
        """A source time. One without an offset is local time of the site, where the channel says so."""
        local_ms = None if self.zone is None else site_time_ms(value, self.zone, arrived_ms)
        return source_time_ms(value) if local_ms is None else local_ms

    def from_pack(self, document: Any, arrived_ms: int) -> list[tuple[int | None, float]]:
        """(source time or None, value) of the channel's records in a SenML pack."""
        taken = []
        for record in self._chosen(resolve(document)):
            time_ms = record.time_ms(arrived_ms)
            if time_ms is not None:
                time_ms = self.believed(time_ms, arrived_ms)
            taken.append((time_ms, self._record_value(record)))
        return taken

    def _chosen(self, records: list[SenmlRecord]) -> list[SenmlRecord]:
        if self.find is not None:
            whole = [{"n": r.name, "u": r.unit, "v": r.value, "t": r.time_s, "place": i} for i, r in enumerate(records)]
            found = self.find(whole)
            if not all(type(f) is dict and "place" in f for f in found):
                raise PayloadError(words()("payload.must_select_whole_records_as_in", channel=self.channel.value))
            chosen = [records[f["place"]] for f in found]
        elif self.record_name is not None:
            chosen = [r for r in records if self.record_name in (r.name, r.own_name)]
        else:
            chosen = records
            names = sorted({r.name for r in records})
            if len(names) > 1:
                raise PayloadError(words()("payload.the_pack_holds_several_names_say", names=shown(", ".join(names))))
        if not chosen:
            raise PayloadError(words()("payload.the_pack_holds_no_record", value=self.channel.value or "with a value"))
        return chosen

    def _record_value(self, record: SenmlRecord) -> float:
        value = record.value
        if value is None and self.quantity is Quantity.PUMP_ENERGY:
            value = record.sum
        if self.words is not None:
            return self.words.read(value)
        rule = senml_conversion(record.unit, self.channel.unit, self.unit)
        if rule is None:
            raise PayloadError(
                words()("payload.unit_of_the_record_does_not", unit=shown(record.unit), unit_2=self.unit)
            )
        return self.convert(value, rule)


class Decoder:
    """Turns messages into readings by the channels of some sites.

    sites : Iterable[Site] — as loaded from site files
    """

    def __init__(self, sites: Iterable[Site]) -> None:
        self._topics: TopicMap[_ChannelPlan] = TopicMap()
        filters: dict[str, None] = {}
        for site in sites:
            for channel in site.channels:
                self._topics.add(channel.topic, _ChannelPlan(site.id, channel, site.timezone))
                filters[channel.topic] = None
        self._filters = tuple(filters)

    def filters(self) -> tuple[str, ...]:
        """The topic filters to subscribe to, without repeats."""
        return self._filters

    def claims(self, topic: str) -> bool:
        """Whether any channel subscribes to the topic."""
        return bool(self._topics.match(topic))

    def decode(self, topic: str, payload: bytes, arrived_ms: int, retained: bool = False) -> Decoded:
        """Decode a message for every channel that subscribes to its topic; nothing where there is none.

        payload : bytes — as received
        arrived_ms : int — when it arrived, UTC milliseconds; the time of values whose source gives none
        retained : bool — sent by the broker from memory: without a source time its age is not known
        """
        plans = self._topics.match(topic)
        if not plans:
            return NOTHING
        if len(payload) <= MAX_BYTES:
            readings = _at_once(plans, payload, arrived_ms, retained)
            if readings is not None:
                return Decoded(readings)
        return _in_full(plans, topic, payload, arrived_ms, retained)


_OPENERS = (b"{", b"[", b'"')
SMALL = 2**53


def _at_once(
    plans: Sequence[_ChannelPlan], payload: bytes, arrived_ms: int, retained: bool
) -> tuple[Reading, ...] | None:
    """The fast path for a message in which nothing is unusual; None as soon as anything is."""
    for plan in plans:
        if not plan.quick or (retained and not plan.timed):
            return None
    try:
        document = parse(payload)
    except PayloadError:
        return None
    if len(plans) == 1:
        reading = plans[0].at_once(document, arrived_ms)
        return None if reading is None else (reading,)
    readings = []
    for plan in plans:
        reading = plan.at_once(document, arrived_ms)
        if reading is None:
            return None
        readings.append(reading)
    return tuple(readings)


def _in_full(plans: Sequence[_ChannelPlan], topic: str, payload: bytes, arrived_ms: int, retained: bool) -> Decoded:
    """The full decoding of a message, with a reason for everything that cannot be read."""
    readings: list[Reading] = []
    last_known: list[Reading] = []
    wrong: dict[tuple[str, str], None] = {}
    faults: list[ChannelFault] = []
    document: Any = _UNPARSED
    for plan in plans:
        try:
            if len(payload) > MAX_BYTES:
                raise PayloadError(
                    words()("payload.the_payload_has_bytes_at_most", count=len(payload), max_bytes=MAX_BYTES)
                )
            if plan.bare and (plan.raw or payload[:1] not in _OPENERS):
                values: list[tuple[int | None, float]] = [(None, plan.from_text(payload))]
            else:
                if document is _UNPARSED:
                    document = parse(payload)
                values = _values(plan, document, arrived_ms)
        except PayloadError as error:
            wrong[(plan.site, error.reason)] = None
            if not retained:  # of unknown age: no sample, and no evidence against the channel's samples either
                faults.append((plan.site, plan.quantity, plan.subject, error.reason, arrived_ms))
            continue
        for time_ms, value in values:
            if time_ms is not None:
                readings.append(Reading(plan.site, plan.quantity, time_ms, value, arrived_ms, plan.subject))
            else:
                kept = last_known if retained else readings
                kept.append(Reading(plan.site, plan.quantity, arrived_ms, value, arrived_ms, plan.subject))
    refusals = tuple(Refusal(site, topic, payload[:KEPT_BYTES], arrived_ms, reason) for site, reason in wrong)
    return Decoded(tuple(readings), refusals, tuple(last_known), tuple(faults))


def _values(plan: _ChannelPlan, document: Any, arrived_ms: int) -> list[tuple[int | None, float]]:
    if plan.senml or (plan.find is None and looks_like_pack(document)):
        return plan.from_pack(document, arrived_ms)
    return plan.from_json(document, arrived_ms)
