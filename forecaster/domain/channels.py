"""Facts about a channel: how many of its messages were taken, and the doubts about it."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from forecaster.domain.quantities import Quantity


class DoubtKind(StrEnum):
    """Why a channel is doubted."""

    REFUSING = "refusing"  # many of its messages are refused, so that the rest is no sample
    TOPICS = "topics"  # it hears several devices
    SCALE = "scale"  # its values are of another unit
    CLOCK = "clock"  # its device's clock is off
    RESTLESS = "restless"  # a pump that has never rested

    @property
    def fails(self) -> bool:
        """Whether a channel with such a doubt does not work, so that somebody has to mend it."""
        return self in (DoubtKind.REFUSING, DoubtKind.TOPICS, DoubtKind.SCALE)


@dataclass(frozen=True, slots=True)
class ChannelDoubt:
    """One doubt: since when [UTC milliseconds], and a line on what is wrong and how to mend it."""

    kind: DoubtKind
    since_ms: int
    says: str


@dataclass(frozen=True, slots=True)
class ChannelFacts:
    """The facts of one channel over about the last hour.

    taken, refused, withheld : int — readings stored; messages refused; readings not stored because of a doubt
    topics : tuple[str, ...] — heard lately, the one that is taken first
    heard_ms : int | None — when its last message came [UTC milliseconds]; None: none since the channel was first noted
    high : float | None — the greatest value ever taken
    lag_ms : int | None — how far the device's clock is behind, where that is constant and set right
    rested : bool — whether a power was ever seen at idle
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
        """The quantity, with the load that it measures."""
        return f"{self.quantity.value} of {self.subject}" if self.subject else self.quantity.value

    @property
    def fails(self) -> bool:
        """Whether a doubt keeps the channel from working."""
        return any(doubt.kind.fails for doubt in self.doubts)
