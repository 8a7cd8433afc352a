"""The newest forecasts that somebody has not seen yet, looked for without reading those that were seen."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping

from forecaster.domain.ports import Ledger, StoredForecast

STEP = 500
"""Documents read at once."""


def fresh(ledger: Ledger, seen: Mapping[str, int], sites: Collection[str]) -> Iterator[StoredForecast]:
    """Newest forecasts of some sites whose time of issue differs from the one seen [ms]."""
    changed = [site for site, issued_ms in ledger.issued().items() if site in sites and seen.get(site) != issued_ms]
    for first in range(0, len(changed), STEP):
        yield from ledger.newest(changed[first : first + STEP]).values()
