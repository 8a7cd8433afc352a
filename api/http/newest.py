"""The newest forecasts that somebody has not taken yet, looked for without reading those that were."""

from __future__ import annotations

import time
from collections.abc import Collection, Iterator

from forecaster.domain.ports import Ledger
from forecaster.domain.records import StoredForecast

STEP = 500
"""Documents read at once."""

WHOLE_S = 60.0
"""How often the times of issue of all sites are read; in between only those of late [s]."""

LATE_MS = 10_000
"""How much later than another a forecast of an earlier time may be written, by another forecaster or a slow one; what
comes later still is found by the next look at all."""


class Untaken:
    """What its holder has taken of the newest forecasts, and so what is new to it. For one thread."""

    def __init__(self, ledger: Ledger) -> None:
        self._ledger = ledger
        self._taken: dict[str, int] = {}
        self._offered: dict[str, int] = {}
        self._looked_at: frozenset[str] = frozenset()
        self._newest_ms = 0
        self._whole_s: float | None = None

    def look(self, sites: Collection[str]) -> Iterator[StoredForecast]:
        """Newest forecasts of some sites that were not taken. StoreError where the ledger cannot be read."""
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
        """This one need not come again."""
        self._taken[stored.site] = stored.issued_ms

    def forget(self) -> None:
        """Take everything anew."""
        self._taken.clear()
        self._offered.clear()
        self._whole_s = None
