"""What became of a channel's messages: how many were taken, and what about the channel is in doubt."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from forecaster.domain.quantities import Quantity


class DoubtKind(StrEnum):
    """Why a channel is not believed as it is."""

    REFUSING = "refusing"  # many of its messages are refused, so that the rest is no sample
    TOPICS = "topics"  # it hears several devices
    SCALE = "scale"  # its values are of another unit
    CLOCK = "clock"  # its device's clock is off
    RESTLESS = "restless"  # a pump that has never rested

    @property
    def fails(self) -> bool:
        """Whether a channel in such doubt does not do its work, so that somebody has to mend it."""
        return self in (DoubtKind.REFUSING, DoubtKind.TOPICS, DoubtKind.SCALE)


@dataclass(frozen=True, slots=True)
class ChannelDoubt:
    """One doubt: since when [UTC ms], and in one line what is wrong and how to mend it."""

    kind: DoubtKind
    since_ms: int
    says: str


@dataclass(frozen=True, slots=True)
class ChannelFacts:
    """One channel of a site, in the hour or so up to now.

    taken, refused, withheld : int — readings stored; messages refused; readings kept from the store by a doubt
    topics : tuple[str, ...] — heard lately, the one that is taken first
    heard_ms : int | None — when anything last came for it; None: not since this was first noted
    high : float | None — the greatest value ever taken
    lag_ms : int | None — how far the device's clock is behind, where that is constant and set right
    rested : bool — whether a power was ever seen at rest
    """

    site: str
    quantity: Quantity
    subject: str
    taken: int
    refused: int
    withheld: int
    topics: tuple[str, ...]
    heard_ms: int | None
    doubts: tuple[ChannelDoubt, ...] = ()
    high: float | None = None
    lag_ms: int | None = None
    rested: bool = False

    @property
    def name(self) -> str:
        """The quantity, and what it is of."""
        return f"{self.quantity.value} of {self.subject}" if self.subject else self.quantity.value

    @property
    def fails(self) -> bool:
        """Whether a doubt keeps it from doing its work."""
        return any(doubt.kind.fails for doubt in self.doubts)
