"""Channels of a site that the broker refuses, or many of whose messages are refused."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from paho.mqtt.client import topic_matches_sub

from collector.guard.window import LEAST_REFUSED, much_refused
from forecaster.alarms import RefusedChannel
from forecaster.domain.ports import Ledger, ReadingStore
from forecaster.domain.readings import Refusal
from forecaster.domain.site import Channel, Site
from forecaster.domain.times import HOUR_MS

WINDOW_MS = 2 * HOUR_MS
"""Refusals are counted over this window [ms]."""
LOOKED_AT = 2_000


def refused_lately(ledger: Ledger, now_ms: int) -> dict[str, list[Refusal]]:
    """Refusals of the last hours by site; sites with too few of them are left out."""
    found: dict[str, list[Refusal]] = {}
    for refusal in ledger.refusals(None, LOOKED_AT):
        if refusal.site is not None and 0 <= now_ms - refusal.arrived_ms <= WINDOW_MS:
            found.setdefault(refusal.site, []).append(refusal)
    return {site: refusals for site, refusals in found.items() if len(refusals) >= LEAST_REFUSED}


def refused_channels(
    site: Site, filters: Mapping[str, str], refusals: Iterable[Refusal], store: ReadingStore, now_ms: int
) -> tuple[RefusedChannel, ...]:
    """The channels of a site that are refused now, each once.

    filters : Mapping[str, str] — topic filters that the broker refuses, and why
    """
    gone = [
        RefusedChannel(channel.topic, filters[channel.topic]) for channel in site.channels if channel.topic in filters
    ]
    by_topic: dict[str, list[Refusal]] = {}
    for refusal in refusals:
        by_topic.setdefault(refusal.topic, []).append(refusal)
    much = [
        RefusedChannel(topic, newest_of(those).reason)
        for topic, those in by_topic.items()
        if len(those) >= LEAST_REFUSED and much_refused(len(those), _taken(site, topic, store, now_ms))
    ]
    return tuple(dict.fromkeys([*gone, *much]))


def newest_of(refusals: Iterable[Refusal]) -> Refusal:
    """The newest of some."""
    return max(refusals, key=lambda refusal: refusal.arrived_ms)


def _taken(site: Site, topic: str, store: ReadingStore, now_ms: int) -> int:
    """Readings stored within the window, of the topic's channel that has most of them."""
    counts = [
        sum(point.count for point in store.series(site.id, c.quantity, now_ms - WINDOW_MS, now_ms, 1, c.of))
        for c in site.channels
        if _claims(c, topic)
    ]
    return max(counts, default=0)


def _claims(channel: Channel, topic: str) -> bool:
    return topic_matches_sub(channel.topic, topic)
