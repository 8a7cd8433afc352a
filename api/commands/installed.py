"""An installation's stores, opened for a command beside the running program and closed after it."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from collector.clock import SystemClock
from collector.config.settings import Installation, load_installation
from collector.store.open import open_ledger, open_readings
from forecaster.domain.errors import NotFound
from forecaster.domain.ports import Ledger, ReadingStore
from forecaster.domain.site import Site
from forecaster.texts.catalogue import Said


@dataclass(frozen=True, slots=True)
class Opened:
    """The open stores of an installation that a command reads and writes."""

    installation: Installation
    store: ReadingStore
    ledger: Ledger

    def site(self, site_id: str) -> Site:
        """A site by its id. NotFound, naming the sites that exist."""
        found = self.installation.sites.get(site_id)
        if found is None:
            known = ", ".join(sorted(self.installation.sites)) or Said("cli.none_yet")
            raise NotFound(Said("cli.site_there_is", site_id=site_id, known=known))
        return found


@contextmanager
def opened(folder: Path) -> Iterator[Opened]:
    """Open an installation's stores beside the running program, which keeps them."""
    installation = load_installation(folder)
    ledger = open_ledger(installation.ledger_url, owner=False)
    try:
        store = open_readings(installation, ledger, SystemClock(), role="command", owner=False)
        try:
            yield Opened(installation, store, ledger)
        finally:
            store.close()
    finally:
        ledger.close()
