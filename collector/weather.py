"""Rain to come: polls each site's weather service and stores what it says as `rain_expected` readings."""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from typing import Any

import httpx

from collector.config.reach import host_of, public_only
from collector.decode.jsonpath import compile_path
from collector.decode.strict_json import parse
from collector.decode.units import conversion
from forecaster.domain.counts import Count
from forecaster.domain.errors import PayloadError, StoreError
from forecaster.domain.ports import Clock, ReadingStore
from forecaster.domain.quantities import SPECS, Quantity
from forecaster.domain.readings import Reading
from forecaster.domain.site import Site, WeatherService
from forecaster.live.looping import LoopThread
from forecaster.texts.catalogue import words

log = logging.getLogger("outlast.weather")

TIMEOUT_S = 20.0
RETRY_S = 300.0
HOURS_LIMIT = 24 * 15
SIZE_LIMIT = 4 * 2**20
PART_BYTES = 64 * 1024
WHOLE_S = 60.0
"""How long a complete answer may take [s]: a slow trickle would never exceed a time-out between its parts."""

LATEST_S = 7_258_118_400.0
"""2200-01-01: no service tells of rain after it, and no time beyond it is one [s since 1970]."""

MOST_HOPS = 4
"""Redirects that are followed."""

LANES = 8
"""Services that are asked at the same time."""


def rain_readings(site: str, weather: WeatherService, document: Any, now_ms: int) -> list[Reading]:
    """The rain to come from a service's answer, one reading for each hour [mm].

    Times are RFC 3339; those without an offset are taken as UTC. Unknown hours (null) and hours that have already begun
    are left out. PayloadError where the paths do not fit.
    """
    times, rains = compile_path(weather.time)(document), compile_path(weather.rain)(document)
    if not times or len(times) != len(rains):
        raise PayloadError(
            words()("payload.weather_times_and_rains_mend_weather", count=len(times), count_2=len(rains))
        )
    spec = SPECS[Quantity.RAIN_EXPECTED]
    rule = conversion(weather.unit, spec.unit)
    if rule is None:
        raise PayloadError(words()("payload.weather_is_no_unit_of_rain", unit=weather.unit))
    readings = []
    for at, rain in list(zip(times, rains, strict=True))[:HOURS_LIMIT]:
        if rain is None:
            continue
        if isinstance(rain, bool) or not isinstance(rain, (int, float)):
            raise PayloadError(words()("payload.weather_is_not_an_amount_of", rain=str(rain)[:40]))
        try:
            value = float(rain) * rule.scale + rule.offset
        except OverflowError as error:
            raise PayloadError(words()("payload.weather_an_amount_of_rain_is")) from error
        if not spec.low <= value <= spec.high:
            raise PayloadError(words()("payload.weather_mm_in_an_hour_is", value=value))
        at_ms = _at_ms(at)
        if at_ms > now_ms:
            readings.append(Reading(site, Quantity.RAIN_EXPECTED, at_ms, value, now_ms))
    return readings


def _at_ms(at: object) -> int:
    if isinstance(at, (int, float)) and not isinstance(at, bool):
        seconds = float(at) if abs(at) < LATEST_S else LATEST_S
    elif isinstance(at, str):
        try:
            moment = datetime.fromisoformat(at)
        except ValueError as error:
            raise PayloadError(words()("payload.weather_is_not_a_time_mend", at=repr(at[:40]))) from error
        seconds = (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).timestamp()
    else:
        raise PayloadError(words()("payload.weather_is_not_a_time_mend", at=str(at)[:40]))
    if not abs(seconds) < LATEST_S:
        raise PayloadError(words()("payload.weather_is_not_a_time_mend", at=str(at)[:40]))
    return round(seconds * 1000.0)


class _Lane:
    """One service that is asked, in a thread of its own; `whole` once it was, whatever came of it."""

    def __init__(self, poll: Callable[[Site], None], site: Site) -> None:
        self._poll, self._site, self.whole = poll, site, False
        self.thread = threading.Thread(target=self._work, name=f"weather-{site.id}", daemon=True)
        self.thread.start()

    def _work(self) -> None:
        self._poll(self._site)
        self.whole = True


class WeatherWorker(LoopThread):
    """Polls the sites that have a [weather]. start(), stop()."""

    def __init__(
        self, sites: Mapping[str, Site], store: ReadingStore, clock: Clock, on_commit: Callable[[], None] | None = None,
        client: httpx.Client | None = None,
    ) -> None:  # fmt: skip
        super().__init__("weather")
        self._sites = {site.id: site for site in sites.values() if site.weather is not None}
        self._store, self._clock, self._on_commit = store, clock, on_commit
        self._client = client or httpx.Client(timeout=TIMEOUT_S, follow_redirects=False)
        self._due_s = dict.fromkeys(self._sites, 0.0)
        self._troubles: dict[str, str] = {}
        self._polls = 0

    def stop(self, timeout_s: float = 5.0) -> None:
        """End the thread and the connections; waits at most so long [s]."""
        super().stop(timeout_s)
        self._client.close()

    def turns(self) -> None:
        """Not reported: a slow service is no fault of this process."""

    def troubles(self) -> list[tuple[str, str]]:
        """None: a failing service is no trouble of this process, and forecasts do not need it."""
        return []

    def failing(self) -> dict[str, str]:
        """Sites whose service cannot be used, and why."""
        return dict(self._troubles)

    def counts(self) -> list[Count]:
        """For the metrics."""
        return [
            Count("outlast_weather_polls", "counter", "Weather services asked.", float(self._polls)),
            Count("outlast_weather_failing", "gauge", "Sites whose weather service fails.", float(len(self._troubles))),
        ]

    def _work(self) -> None:
        """Ask what is due, each site in a lane of its own: a slow service is late with its own rain alone.

        Lanes are daemons: a look-up of a name that hangs cannot be ended, and must not hold up the end of the process.
        """
        under_way: dict[str, _Lane] = {}
        while not self._ending.is_set():
            for name, lane in [(name, lane) for name, lane in under_way.items() if not lane.thread.is_alive()]:
                if not lane.whole:  # a fault that was not foreseen ends this thread, and is seen by the watcher
                    raise RuntimeError(words()("payload.asking_the_weather_service_of_ended", name=name))
                del under_way[name]
            for site in self._sites.values():
                if len(under_way) < LANES and site.id not in under_way and time.monotonic() >= self._due_s[site.id]:
                    under_way[site.id] = _Lane(self.poll, site)
            self._ending.wait(1.0)

    def poll(self, site: Site) -> None:
        """Ask one site's service now and store its answer. Failures are recorded, never raised."""
        assert site.weather is not None
        self._polls += 1
        try:
            readings = rain_readings(site.id, site.weather, self._fetch(site.weather.url), self._clock.now_ms())
            self._store.append(readings)
        except (httpx.HTTPError, httpx.InvalidURL, OSError, PayloadError, StoreError, ValueError) as error:
            if site.id not in self._troubles:
                log.warning("site %s: weather: %s", site.id, error)
            self._troubles[site.id] = str(error)
            self._due_s[site.id] = time.monotonic() + RETRY_S
            return
        self._troubles.pop(site.id, None)
        self._due_s[site.id] = time.monotonic() + site.weather.every_s
        if readings and self._on_commit is not None:
            self._on_commit()

    def _fetch(self, url: str) -> Any:
        until_s, first = time.monotonic() + WHOLE_S, url
        for _ in range(MOST_HOPS + 1):
            with self._client.stream("GET", url, headers=ASKED) as answer:
                if answer.next_request is not None:
                    url = _further(first, str(answer.next_request.url))
                    continue
                answer.raise_for_status()
                return parse(self._body(answer, until_s))
        raise PayloadError(words()("payload.weather_it_redirects_more_than_times", most_hops=MOST_HOPS))

    def _body(self, answer: httpx.Response, until_s: float) -> bytes:
        """The whole answer as it was sent: a packed one could be a thousand times as large as what was counted."""
        if answer.headers.get("content-encoding", "identity") != "identity":
            raise PayloadError(words()("payload.weather_the_answer_is_packed_though"))
        body = bytearray()
        for part in answer.iter_raw(PART_BYTES):
            body += part
            if len(body) > SIZE_LIMIT:
                raise PayloadError(words()("payload.weather_the_answer_is_larger_than"))
            if time.monotonic() > until_s or self._ending.is_set():
                raise PayloadError(words()("payload.weather_the_answer_was_not_whole", whole_s=WHOLE_S))
        return bytes(body)


ASKED = {"Accept": "application/json", "Accept-Encoding": "identity"}


def _further(first: str, url: str) -> str:
    """Where a redirect leads, if we go there: not from elsewhere into a private network. PayloadError."""
    begun, leads = httpx.URL(first), httpx.URL(url)
    if leads.host == begun.host:
        return url
    try:
        public_only(host_of(url), leads.port or (443 if leads.scheme == "https" else 80))
    except PermissionError as error:
        raise PayloadError(words()("payload.weather_it_redirects_into_a_private", host=leads.host)) from error
    return url
