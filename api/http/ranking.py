"""The order of the list of sites, kept from request to request, so that a page of many sites reads only its own."""

from __future__ import annotations

import threading
from collections.abc import Iterable
from typing import Any

import msgspec

from api.http.answers import soonest_first
from forecaster.domain.ports import Ledger

STEP = 500
"""Documents read in one query."""

Rank = tuple[bool, float, str]


class Ranking:
    """The place of every site by its newest forecast. Any thread may ask.

    Only documents that are newer than those of the last look are read.
    """

    def __init__(self, ledger: Ledger) -> None:
        self._ledger = ledger
        self._ranks: dict[str, tuple[int, Rank]] = {}
        self._lock = threading.Lock()

    def order(self, sites: Iterable[str]) -> list[str]:
        """The sites, soonest out first. StoreError where the ledger cannot be read."""
        with self._lock:
            self._look()
            ranks = {
                site: self._ranks[site][1] if site in self._ranks else soonest_first({"id": site, "forecast": None})
                for site in sites
            }
        return sorted(ranks, key=ranks.__getitem__)

    def _look(self) -> None:
        issued = self._ledger.issued()
        changed = [site for site, at_ms in issued.items() if self._ranks.get(site, (None,))[0] != at_ms]
        for first in range(0, len(changed), STEP):
            for site, stored in self._ledger.newest(changed[first : first + STEP], brief=True).items():
                document: dict[str, Any] = msgspec.json.decode(stored.document)
                self._ranks[site] = stored.issued_ms, soonest_first({"id": site, "forecast": document})
        for gone in self._ranks.keys() - issued.keys():
            del self._ranks[gone]
