"""What an installation does once when it starts: it clears up after sites and people that are no longer described."""

from __future__ import annotations

import logging

from api.process.services import Services
from forecaster.alarms.plan import CHANNELS
from forecaster.domain.errors import StoreError
from forecaster.live.departed import close_departed, forget_departed

log = logging.getLogger("outlast")


def leave_departed(services: Services) -> None:
    """Close alarms of sites whose file is gone, not of those whose file cannot be read; forget removed people."""
    installation, ledger = services.installation, services.ledger
    known = {*installation.sites, *(item.site for item in installation.set_aside)}
    try:
        closed = close_departed(ledger, known, CHANNELS, services.clock.now_ms())
        forgotten = forget_departed(ledger, installation.sites.values(), known)
    except StoreError as error:
        log.warning("alarms of sites and names of people that are gone stay until the next start: %s", error)
        return
    if forgotten:
        log.warning("forgotten, for they are no longer named as contacts: %d", forgotten)
    if closed:
        log.warning("closed, for their sites are gone: %s", ", ".join(alarm.id for alarm in closed))
