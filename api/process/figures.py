"""Writes forecasts, alarms and runs beside the readings, where those are on a time-series server."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import islice
from typing import TYPE_CHECKING

from api.http.newest import Untaken
from api.process.repeating import RepeatingWorker
from api.process.services import Services
from forecaster.domain.counts import Count
from forecaster.domain.records import AlarmQuery, StoredForecast

if TYPE_CHECKING:
    from influxdb_client.client.write.point import Point

    from collector.store.influx_figures import FigureStore

LOOK_S = 30.0
"""How often it looks for news [s]."""

CATCH_UP_MS = 86_400_000
"""How far back it writes after a start, or after a time without the server [ms]."""

OVERLAP_MS = 600_000
"""How far before the last look runs and alarms are written again: a run is known when it ends [ms]."""

MOST = 5_000
"""Forecasts or runs of a site, or alarms of a page, that one query reads."""

SITES = 200
"""Sites whose points go into one request, once it runs steadily."""

STEADY_MS = 120_000
"""A look that lies no further back is the one before [ms]."""


class FigureWriter(RepeatingWorker):
    """Writes what is new twice a minute; what could not be written is caught up on, a day at most.

    store : FigureStore — closed when the worker stops
    """

    def __init__(
        self, services: Services, store: FigureStore, *, first_s: float = LOOK_S, look_s: float = LOOK_S
    ) -> None:
        super().__init__("figures", first_s, look_s)
        self._services, self._store = services, store
        self._untaken = Untaken(services.ledger)
        self._until: dict[str, int] = {}
        self._alarms_until_ms = services.clock.now_ms() - CATCH_UP_MS
        self._written = 0

    def counts(self) -> list[Count]:
        """For the metrics."""
        return [Count("outlast_figures", "counter", "Points written beside the readings.", float(self._written))]

    def stop(self, timeout_s: float = 30.0) -> None:
        """End the work in progress, the thread, and the connection."""
        super().stop(timeout_s)
        self._store.close()

    def once(self) -> None:
        """Write what is new. StoreError; then the same is written the next time."""
        now_ms = self._services.clock.now_ms()
        self._written += self._store.write(self._alarms())
        self._alarms_until_ms = now_ms
        news = iter(self._untaken.look(self._services.installation.sites))
        while some := list(islice(news, SITES)):
            self._written += self._store.write(self._of_sites(some))
            for stored in some:
                self._untaken.take(stored)
                self._until[stored.site] = stored.issued_ms

    def _alarms(self) -> Iterator[Point]:
        from collector.store.influx_figures import alarm_point

        asked = AlarmQuery(start_ms=self._alarms_until_ms - OVERLAP_MS, limit=MOST)
        yield from map(alarm_point, self._services.ledger.alarm_page(asked).alarms)

    def _of_sites(self, some: Sequence[StoredForecast]) -> Iterator[Point]:
        """Forecasts and runs of some sites since the last look; those that were looked at just before go together."""
        from collector.store.influx_figures import forecast_point, run_point

        steady, behind = list[StoredForecast](), list[StoredForecast]()
        for one in some:
            (steady if one.issued_ms - self._since_ms(one) <= STEADY_MS else behind).append(one)
        yield from map(forecast_point, steady)
        if steady:
            since_ms, end_ms = min(map(self._since_ms, steady)), max(one.issued_ms for one in steady) + 1
            sites = [one.site for one in steady]
            yield from map(run_point, self._services.ledger.runs_of(sites, since_ms - OVERLAP_MS, end_ms))
        for one in behind:
            yield from self._caught_up(one)

    def _caught_up(self, newest: StoredForecast) -> Iterator[Point]:
        """All forecasts and runs of a site since the last look, which is long ago."""
        from collector.store.influx_figures import forecast_point, run_point

        ledger, site = self._services.ledger, newest.site
        since_ms, end_ms = self._since_ms(newest), newest.issued_ms + 1
        yield from map(forecast_point, ledger.forecasts(site, since_ms, end_ms, MOST))
        yield from map(run_point, ledger.runs(site, since_ms - OVERLAP_MS, end_ms, MOST).runs)

    def _since_ms(self, newest: StoredForecast) -> int:
        return self._until.get(newest.site, newest.issued_ms + 1 - CATCH_UP_MS)
