"""The high-water float between two looks of the alarms: a float that came up and went down meanwhile is not missed."""

from __future__ import annotations

from dataclasses import dataclass

from forecaster.domain.readings import Reading

LATE_MS = 5 * 60_000
"""A reading that arrived so long before the last look has been looked at [ms]; the alarm it gave stands for as long."""


@dataclass(slots=True)
class HighWaterSpell:
    """The newest spell of an up float.

    from_ms : int | None — source time of the reading that first showed it up, UTC milliseconds; None: it is down
    ended_ms : tuple[int, int] | None — the spell that ended since the last look: from its first reading to the one that
        showed the float down again
    """

    from_ms: int | None = None
    ended_ms: tuple[int, int] | None = None

    def take(self, reading: Reading, looked_ms: int | None) -> None:
        """Take a reading of the float. looked_ms : the last look of the alarms; None: there was none, so that what
        is folded is the past of a house that nobody has been watching."""
        if reading.value >= 0.5:
            if self.from_ms is None and looked_ms is not None and reading.arrived_ms > looked_ms - LATE_MS:
                self.from_ms = reading.time_ms
        elif self.from_ms is not None:
            self.ended_ms, self.from_ms = (self.from_ms, max(reading.time_ms, self.from_ms)), None

    def looked(self) -> tuple[int, int] | None:
        """The spell that ended since the last look, once."""
        ended, self.ended_ms = self.ended_ms, None
        return ended
