"""The worker that carries site files between machines that share a ledger on a server."""

from __future__ import annotations

from api.process.repeating import RepeatingWorker
from api.process.services import Services
from collector.config.signature import rest_after
from collector.editing.carrying import STATE, SiteCarrier
from forecaster.domain.counts import Count

LOOK_S = 2.0
"""Least time between two looks whether a site file has changed, here or on another machine [s]."""


class FileCarrier(RepeatingWorker):
    """Looks again and again; what the process does with a changed file is as where somebody edits it."""

    def __init__(self, services: Services) -> None:
        super().__init__("files", LOOK_S, LOOK_S)
        self._carrier = SiteCarrier(
            services.installation.folder, services.ledger, services.clock, services.installation.own_file(STATE)
        )

    def counts(self) -> list[Count]:
        """For the metrics."""
        told = float(len(self._carrier.troubles()))
        return [Count("outlast_files_decided", "gauge", "Site files changed on two machines within a day.", told)]

    def once(self) -> None:
        """Carry what has changed. Errors: StoreError, OSError."""
        self._carrier.once()
        self._rest_s = rest_after(self._carrier.look_s, LOOK_S)

    def troubles(self) -> list[tuple[str, str]]:
        """What was decided between two machines within a day."""
        return [("files", told) for told in self._carrier.troubles()]
