"""What the faces know that an engine cannot: failing deliveries, trouble with taking readings in, a wrong clock."""

from __future__ import annotations

import time

from api.deliver.failing import Faults, all_faults, failing_for
from api.process.services import Services
from collector.clock import clock_told
from forecaster.alarms import Outside
from forecaster.domain.site import Site

KEEP_S = 5.0
TAKING_IN = frozenset({"broker", "store", "intake"})
"""Who tells of trouble with taking readings in."""


class OutsideView:
    """Answers for one site at a time; what holds for the whole installation is looked up every few seconds."""

    def __init__(self, services: Services) -> None:
        self._services = services
        self._looked_s = float("-inf")
        self._faults: Faults = {}
        self._trouble: str | None = None
        self._clock: str | None = None

    def __call__(self, site: Site) -> Outside:
        """The outside of a site, now; whether a discharge test runs is the forecaster's own to say."""
        if time.monotonic() - self._looked_s >= KEEP_S:
            self._look()
            self._looked_s = time.monotonic()
        return Outside(failing=failing_for(self._faults, site), trouble=self._trouble, clock=self._clock)

    def _look(self) -> None:
        self._faults = all_faults(self._services.ledger)
        self._trouble = self._troubled()
        self._clock = clock_told(self._services.ledger)

    def _troubled(self) -> str | None:
        """Why readings cannot be taken in or stored, in one line."""
        for who, what in self._services.troubles():
            if who in TAKING_IN:
                return what
        health = self._services.store.health()
        return None if health.ok else health.says
