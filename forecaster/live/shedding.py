"""What gives way when a forecaster has too much to do: refits wait, forecasts on mains are issued again for longer and
come less often; the pack's in time."""

from __future__ import annotations

from forecaster.domain.counts import Count

MOST_MS = 75_000
"""At most so much is added to the interval on mains [ms]; where that is not enough, all come late. These numbers are
this project's own choice."""

LATE_MS, ROOM_MS = 5_000, 3_000
"""A forecast as late as the first shows that there is too much to do; none later than the second, that there is room
again [ms]. A forecaster that is not woken looks once a second, so that with all the room there is some are late by a
second and what the turn before took."""

REFIT_SHARE, LEAST_REFIT_SHARE = 0.1, 0.02
"""Share of the time that refits may take, and while load is shed. With many sites each is refitted less often than once
an hour."""

REUSED_MS, LONG_REUSED_MS = 120_000, 300_000
"""On mains, as long as nothing relevant is new, a forecast is issued again for at most the first; for the second while
load is shed [ms]."""

PACE = 1.0
"""The interval follows the load by at most so much a second, both ways [s]."""

LONGEST_STEP_S = 5.0
"""A time in which nothing was issued, as of a process that was paused, counts for no more than this [s]."""


class LoadShed:
    """How much is added to the interval on mains, from how late the latest forecast comes.

    shed_ms : int — what is added [ms]; 0 while all come in time
    late_ms : int — how late the latest is [ms]
    """

    def __init__(self) -> None:
        self.shed_ms = self.late_ms = 0
        self._stepped_s: float | None = None

    def step(self, late_ms: int, now_s: float) -> None:
        """Once a turn, before it is chosen whom to forecast; now_s : by a clock that is never set."""
        spent_s = 0.0 if self._stepped_s is None else min(now_s - self._stepped_s, LONGEST_STEP_S)
        self.late_ms, self._stepped_s = late_ms, now_s
        most_ms = round(PACE * 1000 * spent_s)
        if late_ms > LATE_MS:
            self.shed_ms = min(MOST_MS, self.shed_ms + min(most_ms, late_ms - LATE_MS))
        elif late_ms <= ROOM_MS:
            self.shed_ms = max(0, self.shed_ms - most_ms)

    @property
    def refit_share(self) -> float:
        """Share of the time that refits may take now."""
        return LEAST_REFIT_SHARE if self.shed_ms else REFIT_SHARE

    @property
    def reused_ms(self) -> int:
        """For how long a forecast on mains may be issued again now, as long as nothing relevant is new [ms]."""
        return LONG_REUSED_MS if self.shed_ms else REUSED_MS

    def counts(self) -> list[Count]:
        """For the metrics."""
        return [
            Count(
                "outlast_forecaster_shed_seconds",
                "gauge",
                "What load adds to the interval between forecasts on mains; 0 while all come in time.",
                self.shed_ms / 1000,
            ),
            Count(
                "outlast_forecaster_late_seconds",
                "gauge",
                "How long past its time the latest forecast that is due is.",
                self.late_ms / 1000,
            ),
        ]
