"""Copies readings from one store to another, in steps that can be resumed, and compares them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from forecaster.domain.ports import ReadingStore

STEP = 5000
"""Readings in one step."""


@dataclass(frozen=True, slots=True)
class Moved:
    """Readings copied in this call, and the readings held by site on both sides: (site, source, target)."""

    copied: int
    counts: tuple[tuple[str, int, int], ...]

    @property
    def missing(self) -> tuple[tuple[str, int, int], ...]:
        """Sites of which the target holds fewer readings than the source."""
        return tuple(row for row in self.counts if row[2] < row[1])


def move_readings(
    source: ReadingStore,
    target: ReadingStore,
    cursor: str | None,
    keep: Callable[[str, int], None],
    tell: Callable[[int, int], None],
    before: int = 0,
) -> Moved:
    """Copy what the source stored after `cursor`, then compare counts site by site.

    keep : called with the cursor after each durable step, and the readings copied; a move that was cut resumes there
    tell : called with the readings copied so far, those `before` this call counted, and how many there are
    Errors: StoreUnavailable, StoreRefused; what was copied stays copied.
    """
    copied, there_are = 0, source.count()
    while (tail := source.tail(cursor, STEP)).readings:
        target.append(tail.readings)
        copied += len(tail.readings)
        cursor = tail.cursor
        keep(cursor, before + copied)
        tell(before + copied, max(there_are, before + copied))
    counts = tuple((site, source.count(site), target.count(site)) for site in source.sites())
    return Moved(copied, counts)
