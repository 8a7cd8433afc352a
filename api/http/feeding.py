"""Fills the event stream of a process that only serves: once a second it looks for what other processes have written.

Where a forecaster runs in the same process, it publishes to the hub itself and there is no feeder.
"""

from __future__ import annotations

import logging
from collections.abc import Mapping

from api.http.newest import Untaken
from api.http.publisher import StreamPublisher
from api.http.stream import Hub
from forecaster.domain.alarms import Alarm, AlarmTransition
from forecaster.domain.counts import Count
from forecaster.domain.errors import StoreError
from forecaster.domain.ports import Ledger, ReadingStore
from forecaster.domain.quantities import Quantity
from forecaster.domain.readings import Reading
from forecaster.domain.site import Site
from forecaster.live.looping import LoopThread

log = logging.getLogger("outlast.serve")

POLL_S = 1.0
LOOK = 100
"""Alarms read at each look, newest change first. Where all of them have changed, LOOK_AGAIN alarms are read."""
LOOK_AGAIN = 2_000
OVERLAP_MS = 600_000
"""How far before an alarm's newest change its transitions are read [ms]: several may lie between two looks."""
KEPT = 10_000
"""For how many alarms the revision is remembered."""
FOR_EVER_MS = 2**53
READING_SITES = 25
"""Readings are published only while clients listen to at most this many sites; forecasts and alarms always are."""


class Feeder(LoopThread):
    """Looks for new forecasts, alarm transitions and readings, and publishes them. start(), stop()."""

    def __init__(self, sites: Mapping[str, Site], store: ReadingStore, ledger: Ledger, hub: Hub) -> None:
        super().__init__("feeder")
        self._sites, self._store, self._ledger, self._hub = frozenset(sites), store, ledger, hub
        self._publisher = StreamPublisher(hub)
        self._untaken = Untaken(ledger)
        self._revisions: dict[str, int] | None = None
        self._readings: dict[str, dict[tuple[Quantity, str], int]] = {}
        self._trouble: str | None = None
        self._turns = 0
        self._events = 0

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

    def look(self) -> None:
        """Look once. StoreError where a store cannot be read; the next look finds what was missed."""
        wanted = self._hub.wanted()
        sites = self._sites if wanted is None else wanted & self._sites
        self._feed_alarms()
        if sites:
            self._feed_forecasts(sites)
        self._feed_readings(sites if len(sites) <= READING_SITES else frozenset())

    # -- forecasts: the newest of each site, while somebody listens to it
    def _feed_forecasts(self, sites: frozenset[str]) -> None:
        for stored in sorted(self._untaken.look(sites), key=lambda s: s.issued_ms):
            self._untaken.take(stored)
            self._publisher.forecast(stored)
            self._events += 1

    # -- alarms: every transition since the start, whether or not anybody listens, for those who come back
    def _feed_alarms(self) -> None:
        if self._revisions is None:
            self._revisions = {alarm.id: alarm.revision for alarm in self._ledger.alarms(limit=LOOK_AGAIN)}
            return
        news = self._with_news(LOOK)
        if len(news) == LOOK:
            news = self._with_news(LOOK_AGAIN)
        fresh = [transition for alarm in news for transition in self._since(alarm)]
        for transition in sorted(fresh, key=lambda t: (t.at_ms, t.alarm.id, t.alarm.revision)):
            self._publisher.alarm(transition)
            self._events += 1
        self._revisions.update((alarm.id, alarm.revision) for alarm in news)
        for oldest in list(self._revisions)[: max(0, len(self._revisions) - KEPT)]:
            del self._revisions[oldest]

    def _known(self, alarm: Alarm) -> int:
        return -1 if self._revisions is None else self._revisions.get(alarm.id, -1)

    def _with_news(self, limit: int) -> list[Alarm]:
        return [alarm for alarm in self._ledger.alarms(limit=limit) if alarm.revision > self._known(alarm)]

    def _since(self, alarm: Alarm) -> list[AlarmTransition]:
        """The transitions of an alarm since the last look, up to the revision that was seen."""
        found = self._ledger.transitions(alarm.site, alarm.changed_ms - OVERLAP_MS, FOR_EVER_MS)
        return [t for t in found if t.alarm.id == alarm.id and self._known(alarm) < t.alarm.revision <= alarm.revision]

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
