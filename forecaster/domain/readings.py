"""Readings, as they are stored and as they enter the engine, and what was refused."""

from __future__ import annotations

from dataclasses import dataclass

from forecaster.domain.names import legible
from forecaster.domain.quantities import Quantity


@dataclass(frozen=True, slots=True)
class Reading:
    """One measured value.

    site : str — site id
    quantity : Quantity
    time_ms : int — source time, milliseconds since 1970 UTC; for rain_expected the hour it is for
    value : float — in the quantity's stored unit, finite; yes/no is 1.0 / 0.0
    arrived_ms : int — when it reached us, milliseconds since 1970 UTC
    subject : str — the load that a load_power reading is of, otherwise ""

    Identity is (site, quantity, subject, time_ms): the same identity is the same row in every store.
    Where values differ, the later arrival stands; at equal arrival the greater value does.
    """

    site: str
    quantity: Quantity
    time_ms: int
    value: float
    arrived_ms: int
    subject: str = ""

    @property
    def key(self) -> tuple[str, str, str, int]:
        """Identity in every store."""
        return (self.site, self.quantity.value, self.subject, self.time_ms)


@dataclass(frozen=True, slots=True)
class Refusal:
    """A message, or a part of one, that could not become a reading and went to quarantine.

    site : str | None — the site whose channel it came for, None where no channel claims the topic
    topic : str — with an escape for each sign that nobody sees
    payload : bytes — as received, cut to 4,096 bytes
    arrived_ms : int
    reason : str — one line, in the same way: what is wrong and how to mend it
    """

    site: str | None
    topic: str
    payload: bytes
    arrived_ms: int
    reason: str

    def __post_init__(self) -> None:
        """Make what others wrote legible, once for all who read it."""
        object.__setattr__(self, "topic", legible(self.topic))
        object.__setattr__(self, "reason", legible(self.reason))


@dataclass(frozen=True, slots=True)
class SeriesPoint:
    """One bucket of a down-sampled series: its start, how many readings, and their extremes and mean.

    With `points` left out of a range query a bucket is a single reading (count 1, low = high = mean).
    """

    time_ms: int
    count: int
    low: float
    high: float
    mean: float
