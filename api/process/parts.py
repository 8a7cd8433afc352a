"""What a process is made of: the parts that it can run, and what every worker of a part can do."""

from __future__ import annotations

from enum import StrEnum
from typing import Protocol

from forecaster.domain.counts import Count


class Part(StrEnum):
    """What a process can run."""

    COLLECT = "collect"
    FORECAST = "forecast"
    SERVE = "serve"


EVERYTHING = frozenset(Part)


class Worker(Protocol):
    """A thread beside the API that tells how it is."""

    def wake(self) -> None:
        """The store or the ledger has news."""
        ...

    def stop(self) -> None:
        """Finish and end."""
        ...

    def turns(self) -> int | None:
        """How often its loop has turned; one that stands still tells of a loop that hangs. None: not told."""
        ...

    def troubles(self) -> list[tuple[str, str]]:
        """What is wrong at the moment, as (who, what)."""
        ...

    def counts(self) -> list[Count]:
        """What it has done, for the metrics."""
        ...


class Startable(Worker, Protocol):
    """A worker with a thread of its own."""

    def start(self) -> None:
        """Start it."""
        ...

    def alive(self) -> bool:
        """Whether its thread runs."""
        ...
