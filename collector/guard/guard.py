"""The guard of all channels: from decoded messages to the readings that may be stored and the doubts about channels."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import replace

from collector.decode.payload import KEPT_BYTES, Decoded
from collector.guard.channel import GuardedChannel
from forecaster.domain.channels import ChannelFacts
from forecaster.domain.names import legible
from forecaster.domain.quantities import Quantity
from forecaster.domain.readings import Reading, Refusal
from forecaster.domain.site import Site
from forecaster.texts.catalogue import words

Key = tuple[str, Quantity, str]
SAID_AGAIN_MS = 600_000
"""Of readings withheld for one reason, quarantine keeps one in this time, and every new value [ms]."""


class ChannelGuard:
    """Decides for every channel of some sites which readings are samples.

    The same messages with the same arrivals give the same decisions, so that live, replay and score agree.
    """

    def __init__(self, sites: Iterable[Site], kept: Mapping[Key, ChannelFacts] | None = None) -> None:
        known = kept or {}
        self._channels: dict[Key, GuardedChannel] = {}
        for site in sites:
            for channel in site.channels:
                key = (site.id, channel.quantity, channel.of)
                if channel.quantity is not Quantity.RAIN_EXPECTED and key not in self._channels:
                    self._channels[key] = GuardedChannel(site, channel.quantity, channel.of, known.get(key))

    def admit(self, topic: str, payload: bytes, decoded: Decoded) -> Decoded:
        """The readings of a decoded message that may be stored; the others become refusals with a reason."""
        topic = legible(topic)
        for site, quantity, subject, reason, at_ms in decoded.faults:
            channel = self._channels.get((site, quantity, subject))
            if channel is not None:
                channel.refuse(topic, legible(reason), at_ms)
        kept: list[Reading] = []
        withheld: list[Refusal] = []
        same = True
        for reading in decoded.readings:
            channel = self._channels.get((reading.site, reading.quantity, reading.subject))
            if channel is None:
                kept.append(reading)
                continue
            found = channel.admit(reading, topic)
            if isinstance(found, str):
                same = False
                withheld += self._said(channel, reading, found, topic, payload)
            else:
                same = same and found is reading
                kept.append(found)
        if same:
            return decoded
        return replace(decoded, readings=tuple(kept), refusals=(*decoded.refusals, *withheld))

    def _said(
        self, channel: GuardedChannel, reading: Reading, reason: str, topic: str, payload: bytes
    ) -> Iterable[Refusal]:
        """The refusal that records a withheld reading; None where it is not recorded."""
        at_ms = reading.arrived_ms
        key = f"{topic}\n{reading.value!r}"
        if at_ms - channel.told_ms.get(key, -SAID_AGAIN_MS) < SAID_AGAIN_MS:
            return
        if len(channel.told_ms) > 256:
            channel.told_ms.clear()
        channel.told_ms[key] = at_ms
        said = words()("guard.is_withheld", quantity=reading.quantity.value, reason=reason)
        yield Refusal(reading.site, topic, payload[:KEPT_BYTES], at_ms, said)

    def take_changed(self) -> set[str]:
        """The sites of which anything worth keeping has changed since the last call."""
        changed = [channel for channel in self._channels.values() if channel.changed]
        for channel in changed:
            channel.changed = False
        return {channel.site.id for channel in changed}

    def sites(self) -> set[str]:
        """The sites that have channels."""
        return {site for site, _, _ in self._channels}

    def facts(self, sites: Collection[str] | None = None) -> dict[str, list[ChannelFacts]]:
        """What is known of every channel of some sites (None: of all), by site."""
        found: dict[str, list[ChannelFacts]] = {}
        for channel in self._channels.values():
            if sites is None or channel.site.id in sites:
                found.setdefault(channel.site.id, []).append(channel.facts())
        return found
