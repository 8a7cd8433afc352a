"""What the faces know and an engine cannot: failing deliveries, failed writes, refused channels, a wrong clock.

Remarks never mute an alarm: only a failed write, or real silence of a site, makes the program blind.
"""

from __future__ import annotations

import time

from api.deliver.failing import Faults, all_faults, failing_for
from api.process.refusing import refused_channels, refused_lately
from api.process.services import Services
from collector.clock import clock_told
from collector.collector import Collector
from collector.guard.notes import ChannelsSeen
from forecaster.alarms import Outside, RefusedChannel, doubted_channels
from forecaster.domain.channels import ChannelFacts
from forecaster.domain.longrecord import PartTold
from forecaster.domain.readings import Refusal
from forecaster.domain.site import Site
from forecaster.health.told import HEALTH, parts_told

KEEP_S = 5.0
STUDIES_KEEP_S = 60.0
REFUSALS_KEEP_S = 30.0


class OutsideView:
    """Gives the outside evidence of one site. What concerns the whole installation is looked up every few seconds."""

    def __init__(self, services: Services) -> None:
        self._services = services
        self._looked_s = self._refusals_s = float("-inf")
        self._faults: Faults = {}
        self._trouble: str | None = None
        self._broker: str | None = None
        self._clock: str | None = None
        self._filters: dict[str, str] = {}
        self._refusals: dict[str, list[Refusal]] = {}
        self._seen = ChannelsSeen()
        self._channels: dict[str, list[ChannelFacts]] = {}
        self._studied_s = float("-inf")
        self._studied: dict[str, int] = {}
        self._parts: dict[str, tuple[int, tuple[PartTold, ...]]] = {}

    def __call__(self, site: Site) -> Outside:
        """The outside evidence of a site now; the forecaster itself adds whether a discharge test runs."""
        moment_s = time.monotonic()
        if moment_s - self._looked_s >= KEEP_S:
            self._look()
            self._looked_s = moment_s
        if moment_s - self._refusals_s >= REFUSALS_KEEP_S:
            self._refusals = refused_lately(self._services.ledger, self._services.clock.now_ms())
            self._refusals_s = moment_s
        refusals = self._refusals.get(site.id, [])
        refused: tuple[RefusedChannel, ...] = ()
        if refusals or self._filters:
            now_ms = self._services.clock.now_ms()
            refused = refused_channels(site, self._filters, refusals, self._services.store, now_ms)
        channels = tuple(self._channels.get(site.id, ()))
        doubts = doubted_channels(channels)
        named = {topic for facts in channels for topic in facts.topics if facts.fails}
        return Outside(
            failing=failing_for(self._faults, site),
            trouble=self._trouble,
            broker=self._broker,
            refused=(*doubts, *(one for one in refused if one.name not in named)),
            channels=channels,
            clock=self._clock,
            parts=self._told(site.id, moment_s),
        )

    def _told(self, site: str, moment_s: float) -> tuple[PartTold, ...]:
        """What the newest study says of a site's parts; read anew only where there is a newer one."""
        if moment_s - self._studied_s >= STUDIES_KEEP_S:
            self._studied = self._services.ledger.studied(HEALTH)
            self._studied_s = moment_s
        made_ms = self._studied.get(site)
        if made_ms is None:
            return ()
        known = self._parts.get(site)
        if known is None or known[0] != made_ms:
            known = self._parts[site] = (made_ms, parts_told(self._services.ledger.study(site, HEALTH)))
        return known[1]

    def _look(self) -> None:
        self._faults = all_faults(self._services.ledger)
        self._clock = clock_told(self._services.ledger)
        collector = next((worker for worker in self._services.workers if isinstance(worker, Collector)), None)
        self._trouble = self._unwritten(collector)
        self._broker = None if collector is None else collector.broker_failure()
        self._filters = {} if collector is None else collector.refused_filters()
        self._channels = self._seen.look(self._services.ledger)

    def _unwritten(self, collector: Collector | None) -> str | None:
        """Why readings cannot be stored, in one line; mere remarks of the store are left out."""
        failed = None if collector is None else collector.write_failure()
        if failed is not None:
            return failed
        health = self._services.store.health()
        return None if health.ok else health.says
