"""What the faces know that an engine cannot: failing deliveries, trouble with taking readings in, a wrong clock."""

from __future__ import annotations

import time

from api.deliver.failing import failing_for
from api.wiring import Services
from collector.clock import CLOCK_NOTE
from forecaster.alarms import Outside
from forecaster.domain.discharge import DischargeTest
from forecaster.domain.site import Site

KEEP_S = 10.0
TAKING_IN = frozenset({"broker", "store", "intake"})
"""Who tells of trouble with taking readings in."""


class OutsideView:
    """Answers for one site at a time; what it looked up holds for some seconds."""

    def __init__(self, services: Services) -> None:
        self._services = services
        self._known: dict[str, tuple[float, Outside]] = {}

    def __call__(self, site: Site) -> Outside:
        """The outside of a site, now."""
        now_s = time.monotonic()
        known = self._known.get(site.id)
        if known is not None and now_s - known[0] < KEEP_S:
            return known[1]
        outside = Outside(
            failing=failing_for(self._services.ledger, site),
            trouble=self._trouble(),
            rehearsal=_running(self._services.ledger.tests(site.id)),
            clock=self._services.ledger.noted(CLOCK_NOTE) or None,
        )
        self._known[site.id] = (now_s, outside)
        return outside

    def _trouble(self) -> str | None:
        """Why readings cannot be taken in or stored, in one line."""
        for who, what in self._services.troubles():
            if who in TAKING_IN:
                return what
        health = self._services.store.health()
        return None if health.ok else health.says


def _running(tests: list[DischargeTest]) -> bool:
    return any(test.finished_ms is None for test in tests[:1])
