"""What the pages read from: sites, store, ledger and clock, handed over by the application."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import msgspec

from api.deliver.reachable import reach_warnings
from api.offline.readiness import Chain, chain_of
from forecaster.alarms.plan import CHANNELS
from forecaster.domain.errors import NotFound
from forecaster.domain.forecast import Forecast
from forecaster.domain.ports import Clock, Ledger, ReadingStore
from forecaster.domain.site import Site
from forecaster.engine.document import from_document
from forecaster.texts.catalogue import Words


@dataclass(frozen=True, slots=True)
class PagePorts:
    """The ports of one installation, the channels that it serves, and whether a heartbeat is set up."""

    sites: Mapping[str, Site]
    store: ReadingStore
    ledger: Ledger
    clock: Clock
    channels: frozenset[str] = CHANNELS
    heartbeat: bool = False

    def chain(self, site: Site, words: Words, now_ms: int, forecast: Forecast | None) -> Chain:
        """What is looked at before one leaves a site."""
        return chain_of(self.channels, self.heartbeat, self.ledger, self.store, site, words, now_ms, forecast)

    def reach_warnings(self, site: Site, words: Words, *, operate: bool) -> tuple[str, ...]:
        """What keeps the people of a site from being told. Names are given only to readers who may operate."""
        return reach_warnings(site, self.channels, self.ledger.subscriptions(), words, names=operate)

    def site(self, site_id: str) -> Site:
        """A site by its id; NotFound."""
        found = self.sites.get(site_id)
        if found is None:
            raise NotFound(f"site {site_id!r}")
        return found

    def forecast(self, site_id: str) -> Forecast | None:
        """The newest published forecast of a site, None before the first."""
        return self.forecasts([site_id]).get(site_id)

    def forecasts(self, site_ids: list[str] | None = None, *, brief: bool = False) -> dict[str, Forecast]:
        """The newest published forecast of each site that has one; brief ones lack survival and drain path."""
        found = self.ledger.newest(site_ids, brief=brief)
        return {site: from_document(msgspec.json.decode(stored.document)) for site, stored in found.items()}
