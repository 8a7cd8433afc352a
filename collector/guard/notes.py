"""The facts of channels, kept in the ledger as one small note for each site."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping

import msgspec

from collector.guard.guard import ChannelGuard
from forecaster.decoding.typed import from_json
from forecaster.domain.channels import ChannelFacts
from forecaster.domain.ports import Ledger
from forecaster.domain.quantities import Quantity

CHANNELS_NOTE = "channels"
"""The ledger note of a site's channels is `channels:<site>`."""


CHANGED_S, CHANNELS_S = 5.0, 300.0
"""The facts of a site's channels are saved so soon after a change, and so often without one [s]."""

LOOK_S = 0.25
"""Time between two looks at what has changed: with thousands of channels a look takes a while [s]."""


class ChannelNotes:
    """Which facts of channels are to be saved when."""

    def __init__(self, guard: ChannelGuard) -> None:
        self._guard = guard
        self._saved_s = dict.fromkeys(guard.sites(), float("-inf"))
        self._last_s = self._looked_s = float("-inf")

    def due(self, now_s: float) -> dict[str, list[ChannelFacts]]:
        """The facts to be saved now, by site. now_s : float — by a clock that is never set [s]"""
        if now_s - self._last_s < CHANGED_S or now_s - self._looked_s < LOOK_S:
            return {}
        self._looked_s = now_s
        old = {site for site, saved_s in self._saved_s.items() if now_s - saved_s >= CHANNELS_S}
        due = self._guard.take_changed() | old
        if due:
            self._last_s = now_s
            self._saved_s |= dict.fromkeys(due, now_s)
        return self._guard.facts(due) if due else {}


def keep_channels(ledger: Ledger, told: Mapping[str, Iterable[ChannelFacts]]) -> None:
    """Save the facts of some sites' channels at once. told : by site"""
    texts = {f"{CHANNELS_NOTE}:{site}": msgspec.json.encode(list(facts)).decode() for site, facts in told.items()}
    ledger.note_all(texts)


def channels_told(ledger: Ledger, sites: Collection[str] | None = None) -> dict[str, list[ChannelFacts]]:
    """The saved facts of channels; notes of another version are ignored.

    sites : of which sites; None: of all
    """
    named = None if sites is None else [f"{CHANNELS_NOTE}:{site}" for site in sites]
    return read_channels(ledger.notes(CHANNELS_NOTE) if named is None else ledger.noted_of(named))


def read_channels(texts: Mapping[str, str]) -> dict[str, list[ChannelFacts]]:
    """The facts in notes, by site; notes of another version are left out. texts : by the names of the notes"""
    found = {}
    for name, text in texts.items():
        try:
            found[name.partition(":")[2]] = from_json(text, list[ChannelFacts])
        except msgspec.MsgspecError:
            continue
    return found


class ChannelsSeen:
    """The saved facts of channels for those who look again and again: read anew only where they have changed."""

    def __init__(self) -> None:
        self._texts: dict[str, str] = {}
        self._told: dict[str, list[ChannelFacts]] = {}

    def look(self, ledger: Ledger) -> dict[str, list[ChannelFacts]]:
        """The facts of all sites' channels; notes of another version are ignored."""
        texts = ledger.notes(CHANNELS_NOTE)
        same = {name for name, text in texts.items() if self._texts.get(name) == text}
        fresh = read_channels({name: text for name, text in texts.items() if name not in same})
        self._told = {site: told for site, told in self._told.items() if f"{CHANNELS_NOTE}:{site}" in same} | fresh
        self._texts = texts
        return self._told


def by_channel(told: dict[str, list[ChannelFacts]]) -> dict[tuple[str, Quantity, str], ChannelFacts]:
    """The saved facts by (site, quantity, subject)."""
    return {(one.site, one.quantity, one.subject): one for facts in told.values() for one in facts}
