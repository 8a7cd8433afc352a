"""The facts of channels, kept in the ledger as one small note for each site."""

from __future__ import annotations

from collections.abc import Collection, Iterable

import msgspec

from forecaster.decoding.typed import from_json
from forecaster.domain.channels import ChannelFacts
from forecaster.domain.ports import Ledger
from forecaster.domain.quantities import Quantity

CHANNELS_NOTE = "channels"
"""The ledger note of a site's channels is `channels:<site>`."""


def keep_channels(ledger: Ledger, site: str, facts: Iterable[ChannelFacts]) -> None:
    """Save the facts of a site's channels."""
    ledger.note(f"{CHANNELS_NOTE}:{site}", msgspec.json.encode(list(facts)).decode())


def channels_told(ledger: Ledger, sites: Collection[str] | None = None) -> dict[str, list[ChannelFacts]]:
    """The saved facts of channels; notes of another version are ignored.

    sites : of which sites; None: of all
    """
    found = {}
    for name, text in ledger.notes(CHANNELS_NOTE).items() if sites is None else _notes_of(ledger, sites):
        try:
            found[name.partition(":")[2]] = from_json(text, list[ChannelFacts])
        except msgspec.MsgspecError:
            continue
    return found


def by_channel(told: dict[str, list[ChannelFacts]]) -> dict[tuple[str, Quantity, str], ChannelFacts]:
    """The saved facts by (site, quantity, subject)."""
    return {(one.site, one.quantity, one.subject): one for facts in told.values() for one in facts}


def _notes_of(ledger: Ledger, sites: Collection[str]) -> Iterable[tuple[str, str]]:
    for name in (f"{CHANNELS_NOTE}:{site}" for site in sites):
        text = ledger.noted(name)
        if text is not None:
            yield name, text
