"""The parts that a process can run, and the interface of their workers."""

from __future__ import annotations

from enum import StrEnum
from typing import Protocol

from forecaster.domain.counts import Count


class Part(StrEnum):
    """What a process can run."""

    COLLECT = "collect"
    FORECAST = "forecast"
    SERVE = "serve"
    STUDY = "study"


EVERYTHING = frozenset({Part.COLLECT, Part.FORECAST, Part.SERVE})
"""What `outlast run` runs."""


class Worker(Protocol):
    """A thread beside the API that reports its state."""

    def wake(self) -> None:
        """The store or the ledger has news."""
        ...

    def stop(self) -> None:
        """Finish the work in hand and end."""
        ...

    def turns(self) -> int | None:
        """How often its loop has turned; a number that stands still means that the loop hangs. None: not reported."""
        ...

    def troubles(self) -> list[tuple[str, str]]:
        """What is wrong at the moment, as (who, what)."""
        ...

    def counts(self) -> list[Count]:
        """Counts of its work, for the metrics."""
        ...


class Startable(Worker, Protocol):
    """A worker with a thread of its own."""

    def start(self) -> None:
        """Start it."""
        ...

    def alive(self) -> bool:
        """Whether its thread runs."""
        ...
