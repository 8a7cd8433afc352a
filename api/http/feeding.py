"""Fills the event stream from what is written to the stores, by whichever process.

A process that only serves looks for everything once a second. Where a forecaster runs in the same process, it
publishes forecasts and readings itself, and only changes of alarms are followed: in the order of their commits.
"""

from __future__ import annotations

import logging
from abc import abstractmethod
from collections.abc import Mapping

from api.http.newest import Untaken
from api.http.publisher import StreamPublisher, alarm_data
from api.http.stream import Hub, StreamKind
from forecaster.domain.counts import Count
from forecaster.domain.errors import StoreError
from forecaster.domain.ports import Ledger, ReadingStore
from forecaster.domain.quantities import Quantity
from forecaster.domain.readings import Reading
from forecaster.domain.site import Site
from forecaster.live.looping import LoopThread

log = logging.getLogger("outlast.serve")

POLL_S = 1.0
STEP = 500
"""Changes of alarms read in one query."""

READING_SITES = 25
"""Readings are published only while clients listen to at most this many sites; forecasts and alarms always are."""


class Looking(LoopThread):
    """Looks once a second, or when it is woken, for what is to be published. start(), stop()."""

    def __init__(self, ledger: Ledger, hub: Hub) -> None:
        super().__init__("feeder")
        self._ledger, self._hub = ledger, hub
        self._trouble: str | None = None
        self._turns = 0
        self._events = 0

    @abstractmethod
    def look(self) -> None:
        """Look once. StoreError where a store cannot be read; the next look finds what was missed."""

    def turns(self) -> int:
        """How often it has looked."""
        return self._turns

    def troubles(self) -> list[tuple[str, str]]:
        """What is wrong at the moment, as (who, what)."""
        return [] if self._trouble is None else [("feeder", self._trouble)]

    def counts(self) -> list[Count]:
        """For the metrics."""
        return [Count("outlast_feeder_events", "counter", "Events fed to the stream.", float(self._events))]

    def _work(self) -> None:
        while not self._ending.is_set():
            self._turns += 1
            self._woken.clear()
            try:
                self.look()
            except StoreError as error:
                if self._trouble is None:
                    log.warning("waiting for the store: %s", error)
                self._trouble = str(error)
            else:
                self._trouble = None
            self._woken.wait(POLL_S)

    def _feed_alarms(self) -> None:
        """Publish every change of an alarm, whether or not anybody listens, for those who come back."""
        while news := self._ledger.changes(self._hub.change, STEP):
            for number, change in news:
                self._hub.publish(StreamKind.ALARM, change.alarm.site, alarm_data(change), number)
                self._events += 1


class AlarmFeeder(Looking):
    """Publishes changes of alarms, whoever committed them, where a forecaster of the same process does the rest."""

    def look(self) -> None:
        """Look once. StoreError."""
        self._feed_alarms()


class Feeder(Looking):
    """Looks for new forecasts, changes of alarms and readings, where no forecaster runs in the same process."""

    def __init__(self, sites: Mapping[str, Site], store: ReadingStore, ledger: Ledger, hub: Hub) -> None:
        super().__init__(ledger, hub)
        self._sites, self._store = frozenset(sites), store
        self._publisher = StreamPublisher(hub)
        self._untaken = Untaken(ledger)
        self._readings: dict[str, dict[tuple[Quantity, str], int]] = {}

    def look(self) -> None:
        """Look once. StoreError where a store cannot be read; the next look finds what was missed."""
        wanted = self._hub.wanted()
        sites = self._sites if wanted is None else wanted & self._sites
        self._feed_alarms()
        if sites != self._sites:
            self._hub.skip(StreamKind.FORECAST)
        if sites:
            self._feed_forecasts(sites)
        self._feed_readings(sites if len(sites) <= READING_SITES else frozenset())

    # -- forecasts: the newest of each site, while somebody listens to it
    def _feed_forecasts(self, sites: frozenset[str]) -> None:
        for stored in sorted(self._untaken.look(sites), key=lambda s: s.issued_ms):
            self._untaken.take(stored)
            self._publisher.forecast(stored)
            self._events += 1

    # -- readings: the newest of each channel that differs from the last poll's
    def _feed_readings(self, sites: frozenset[str]) -> None:
        for gone in self._readings.keys() - sites:
            del self._readings[gone]
        for site in sites:
            latest = self._store.latest(site)
            before = self._readings.get(site)
            self._readings[site] = {key: reading.time_ms for key, reading in latest.items()}
            if before is None:
                continue
            fresh = [r for key, r in latest.items() if r.time_ms > before.get(key, -1)]
            for reading in sorted(fresh, key=_time):
                self._publisher.reading(reading)
                self._events += 1


def _time(reading: Reading) -> tuple[int, str, str]:
    return (reading.time_ms, reading.quantity.value, reading.subject)
