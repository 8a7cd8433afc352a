"""Compares each channel of an installation with what its broker really sends."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum

from api.offline.mistakes import Channels, HeardChannel, doubts, remark, several_topics
from collector.decode.payload import Decoder
from collector.guard import says
from forecaster.domain.names import legible
from forecaster.domain.quantities import SPECS, Quantity
from forecaster.domain.readings import Reading
from forecaster.domain.site import Channel, Site
from forecaster.texts.catalogue import Said

MOST_HEARD = 20_000
"""Most messages that are examined; more add nothing about a channel."""

WILD = {"+", "#"}
"""Levels of a filter that match any level of a topic (MQTT 3.1.1, 4.7.1)."""

Takers = dict[tuple[Quantity, str | None, str], list[tuple[str, str]]]
"""Site and subject of each channel that took a value, by quantity, field of the payload, and topic."""


@dataclass(frozen=True, slots=True)
class HeardMessage:
    """A message as it came."""

    topic: str
    payload: bytes
    retained: bool
    at_ms: int


class ChannelVerdict(StrEnum):
    """The verdict over a channel."""

    OK = "ok"
    REFUSED = "refused"
    DOUBTFUL = "doubtful"
    LAST_KNOWN = "last_known"
    SILENT = "silent"


@dataclass(frozen=True, slots=True)
class ChannelReport:
    """One channel: the last value that was heard, and the verdict.

    value : float | None — in the quantity's stored unit; age_s : float | None — since it was measured [s]
    """

    site: str
    quantity: str
    subject: str
    topic: str
    verdict: ChannelVerdict
    says: str
    value: float | None = None
    unit: str = ""
    age_s: float | None = None


def examine(sites: Iterable[Site], heard: Sequence[HeardMessage], now_ms: int) -> list[ChannelReport]:
    """A finding for every channel of every site, in the order of the site files."""
    listened = [_Listened(site, *_site(site, heard)) for site in sites]
    takers = _takers(listened)
    return [
        _report(one.site, channel, on, one.quantities, _swallowed(one.site, channel, on, takers), now_ms)
        for one in listened
        for channel, on in zip(one.site.channels, one.found, strict=True)
    ]


@dataclass(slots=True)
class _HeardOnChannel:
    """The readings and refusals that one channel made of the messages.

    newest, last_known : the newest reading with a time of its own, and the newest retained one of unknown age
    topics : those that gave a value
    """

    topics: set[str] = field(default_factory=set)
    newest: Reading | None = None
    last_known: Reading | None = None
    refusal: str | None = None
    claimed: bool = False


@dataclass(frozen=True, slots=True)
class _Listened:
    """What a site's channels made of the messages, each and by quantity."""

    site: Site
    found: list[_HeardOnChannel]
    quantities: Channels


def _site(site: Site, heard: Sequence[HeardMessage]) -> tuple[list[_HeardOnChannel], Channels]:
    quantities: Channels = {}
    return [_listened(site, channel, heard, quantities) for channel in site.channels], quantities


def _takers(listened: Iterable[_Listened]) -> Takers:
    found: Takers = {}
    for one in listened:
        for channel, on in zip(one.site.channels, one.found, strict=True):
            for topic in on.topics:
                found.setdefault((channel.quantity, channel.value, topic), []).append((one.site.id, channel.of))
    return found


def _swallowed(site: Site, channel: Channel, on: _HeardOnChannel, takers: Takers) -> str | None:
    """Whether a filter with + or # takes what another site, or another subject, takes as its own."""
    if not WILD & set(channel.topic):
        return None
    for topic in sorted(on.topics):
        for other, subject in takers[channel.quantity, channel.value, topic]:
            if (other, subject) != (site.id, channel.of):
                name = " ".join([other, channel.quantity.value, subject]).rstrip()
                return says.of_another(legible(topic), name)
    return None


def _listened(site: Site, channel: Channel, heard: Sequence[HeardMessage], quantities: Channels) -> _HeardOnChannel:
    """Decode the messages by one channel alone, and add the readings to those of its quantity."""
    decoder, found = Decoder([_only(site, channel)]), _HeardOnChannel()
    together = quantities.setdefault((channel.quantity, channel.of), HeardChannel(channel.quantity, channel.of))
    for message in heard:
        decoded = decoder.decode(message.topic, message.payload, message.at_ms, message.retained)
        together.take(message.topic, decoded.readings, message.retained)
        if decoded.readings:
            found.topics.add(message.topic)
        for reading in decoded.readings:
            found.newest = reading if found.newest is None else max(found.newest, reading, key=_time)
        for reading in decoded.last_known:
            found.last_known = reading if found.last_known is None else max(found.last_known, reading, key=_time)
        found.refusal = decoded.refusals[-1].reason if decoded.refusals else found.refusal
        found.claimed = found.claimed or decoder.claims(message.topic)
    return found


def _report(
    site: Site, channel: Channel, one: _HeardOnChannel, quantities: Channels, swallowed: str | None, now_ms: int
) -> ChannelReport:
    """The report on a channel: first what cannot be read, then what cannot be right."""
    verdict, said, reading, age_s = ChannelVerdict.SILENT, "", one.newest, None
    heard = quantities[channel.quantity, channel.of]
    mixed = several_topics(heard) or swallowed
    if one.refusal is not None or mixed is not None:
        verdict, said = ChannelVerdict.REFUSED, one.refusal or mixed or ""
    elif one.newest is not None:
        age_s = max(0.0, (now_ms - one.newest.time_ms) / 1000.0)
        said = "; ".join(doubts(site, heard, quantities))
        verdict = ChannelVerdict.DOUBTFUL if said else ChannelVerdict.OK
        said = said or remark(heard, quantities)
    elif one.last_known is not None:
        verdict, reading = ChannelVerdict.LAST_KNOWN, one.last_known
        said = Said("check.last_known")
    elif one.claimed:
        said = Said("check.no_value")
    else:
        said = Said("check.silent")
    value = None if reading is None else reading.value
    unit = SPECS[channel.quantity].unit
    return ChannelReport(site.id, channel.quantity.value, channel.of, channel.topic, verdict, said, value, unit, age_s)


def _time(reading: Reading) -> tuple[int, int]:
    return (reading.time_ms, reading.arrived_ms)


def _only(site: Site, channel: Channel) -> Site:
    """The site with only one channel, so that refusals are attributed to it."""
    return replace(site, channels=(channel,))
