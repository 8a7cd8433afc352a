"""The facts of channels, kept in the ledger as one small note for each site."""

from __future__ import annotations

from collections.abc import Iterable

import msgspec

from forecaster.domain.channels import ChannelFacts
from forecaster.domain.ports import Ledger
from forecaster.domain.quantities import Quantity

CHANNELS_NOTE = "channels"
"""The ledger note of a site's channels is `channels:<site>`."""


def keep_channels(ledger: Ledger, site: str, facts: Iterable[ChannelFacts]) -> None:
    """Save the facts of a site's channels."""
    ledger.note(f"{CHANNELS_NOTE}:{site}", msgspec.json.encode(list(facts)).decode())


def channels_told(ledger: Ledger) -> dict[str, list[ChannelFacts]]:
    """The saved facts of every site's channels; notes of another version are ignored."""
    found = {}
    for name, text in ledger.notes(CHANNELS_NOTE).items():
        try:
            found[name.partition(":")[2]] = msgspec.json.decode(text, type=list[ChannelFacts])
        except msgspec.MsgspecError:
            continue
    return found


def by_channel(told: dict[str, list[ChannelFacts]]) -> dict[tuple[str, Quantity, str], ChannelFacts]:
    """The saved facts by (site, quantity, subject)."""
    return {(one.site, one.quantity, one.subject): one for facts in told.values() for one in facts}
