"""Finds the newest forecasts that a consumer has not taken yet, without reading those that it has."""

from __future__ import annotations

import time
from collections.abc import Collection, Iterator

from forecaster.domain.ports import Ledger
from forecaster.domain.records import StoredForecast

STEP = 500
"""Documents read in one query."""

WHOLE_S = 60.0
"""How often the times of issue of all sites are read [s]; in between only recent ones are."""

LATE_MS = 10_000
"""How much later than a newer forecast an older one may be written, by another forecaster or a slow one [ms]. Forecasts
that are later still are found when all sites are read."""


class Untaken:
    """Remembers which of the newest forecasts its owner has taken. For one thread."""

    def __init__(self, ledger: Ledger) -> None:
        self._ledger = ledger
        self._taken: dict[str, int] = {}
        self._offered: dict[str, int] = {}
        self._looked_at: frozenset[str] = frozenset()
        self._newest_ms = 0
        self._whole_s: float | None = None

    def look(self, sites: Collection[str]) -> Iterator[StoredForecast]:
        """The newest forecasts of some sites that were not taken yet. StoreError where the ledger cannot be read."""
        wanted, now_s = frozenset(sites), time.monotonic()
        left = any(self._taken.get(site) != at_ms for site, at_ms in self._offered.items())
        whole = left or self._whole_s is None or now_s - self._whole_s >= WHOLE_S or not wanted <= self._looked_at
        issued = self._ledger.issued(None if whole else self._newest_ms - LATE_MS)
        if whole:
            self._whole_s, self._looked_at = now_s, wanted
        self._newest_ms = max(self._newest_ms, *issued.values()) if issued else self._newest_ms
        self._offered = {s: at_ms for s, at_ms in issued.items() if s in wanted and self._taken.get(s) != at_ms}
        changed = list(self._offered)
        for first in range(0, len(changed), STEP):
            yield from self._ledger.newest(changed[first : first + STEP]).values()

    def take(self, stored: StoredForecast) -> None:
        """Mark a forecast as taken."""
        self._taken[stored.site] = stored.issued_ms

    def forget(self) -> None:
        """Forget what was taken: every newest forecast counts as new again."""
        self._taken.clear()
        self._offered.clear()
        self._whole_s = None
