"""What is known of channels, kept as one small note a site in the ledger."""

from __future__ import annotations

from collections.abc import Iterable

import msgspec

from forecaster.domain.channels import ChannelFacts
from forecaster.domain.ports import Ledger
from forecaster.domain.quantities import Quantity

CHANNELS_NOTE = "channels"
"""The ledger note of a site's channels is `channels:<site>`."""


def keep_channels(ledger: Ledger, site: str, facts: Iterable[ChannelFacts]) -> None:
    """Keep what is known of a site's channels."""
    ledger.note(f"{CHANNELS_NOTE}:{site}", msgspec.json.encode(list(facts)).decode())


def channels_told(ledger: Ledger) -> dict[str, list[ChannelFacts]]:
    """What is known of every site's channels; a note of another version tells nothing."""
    found = {}
    for name, text in ledger.notes(CHANNELS_NOTE).items():
        try:
            found[name.partition(":")[2]] = msgspec.json.decode(text, type=list[ChannelFacts])
        except msgspec.MsgspecError:
            continue
    return found


def by_channel(told: dict[str, list[ChannelFacts]]) -> dict[tuple[str, Quantity, str], ChannelFacts]:
    """The same by (site, quantity, subject)."""
    return {(one.site, one.quantity, one.subject): one for facts in told.values() for one in facts}
