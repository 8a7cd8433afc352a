"""Each channel of an installation held against what its broker really sends."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

from collector.decode.payload import Decoder
from forecaster.domain.quantities import SPECS
from forecaster.domain.readings import Reading
from forecaster.domain.site import Channel, Site
from forecaster.texts.catalogue import Said

MOST_HEARD = 20_000
"""Messages that are kept to be examined; more tell nothing new of a channel."""


@dataclass(frozen=True, slots=True)
class HeardMessage:
    """A message as it came."""

    topic: str
    payload: bytes
    retained: bool
    at_ms: int


class ChannelVerdict(StrEnum):
    """How a channel is."""

    OK = "ok"
    REFUSED = "refused"
    LAST_KNOWN = "last_known"
    SILENT = "silent"


@dataclass(frozen=True, slots=True)
class ChannelReport:
    """One channel: what was heard of it.

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
    return [_channel(site, channel, heard, now_ms) for site in sites for channel in site.channels]


def _channel(site: Site, channel: Channel, heard: Sequence[HeardMessage], now_ms: int) -> ChannelReport:
    decoder = Decoder([_only(site, channel)])
    newest: Reading | None = None
    last_known: Reading | None = None
    refusal: str | None = None
    for message in heard:
        decoded = decoder.decode(message.topic, message.payload, message.at_ms, message.retained)
        newest = max((r for r in (newest, *decoded.readings) if r is not None), key=_time, default=None)
        last_known = max((r for r in (last_known, *decoded.last_known) if r is not None), key=_time, default=None)
        refusal = decoded.refusals[-1].reason if decoded.refusals else refusal

    def found(
        verdict: ChannelVerdict, says: str, reading: Reading | None = None, age_s: float | None = None
    ) -> ChannelReport:
        unit = SPECS[channel.quantity].unit
        value = None if reading is None else reading.value
        return ChannelReport(
            site.id, channel.quantity.value, channel.of, channel.topic, verdict, says, value, unit, age_s
        )  # fmt: skip

    if refusal is not None:
        return found(ChannelVerdict.REFUSED, refusal, newest)
    if newest is not None:
        return found(ChannelVerdict.OK, "", newest, max(0.0, (now_ms - newest.time_ms) / 1000.0))
    if last_known is not None:
        return found(ChannelVerdict.LAST_KNOWN, Said("check.last_known"), last_known)
    if any(decoder.claims(message.topic) for message in heard):
        return found(ChannelVerdict.SILENT, Said("check.no_value"))
    return found(ChannelVerdict.SILENT, Said("check.silent"))


def _time(reading: Reading) -> tuple[int, int]:
    return (reading.time_ms, reading.arrived_ms)


def _only(site: Site, channel: Channel) -> Site:
    """The site with one channel alone, so that what is refused is told of the right one."""
    return replace(site, channels=(channel,))
