"""The outgoing heartbeat: a URL that is requested while all is well. A monitoring service alarms when it stops.

All is well while forecasts are fresh and no alarm waits undelivered. Otherwise no heartbeat is sent.
"""

from __future__ import annotations

import logging
from collections.abc import Collection

import httpx

from forecaster.domain.errors import StoreError
from forecaster.domain.ports import Clock, Ledger
from forecaster.live.looping import LoopThread
from forecaster.texts.catalogue import words

log = logging.getLogger("outlast.deliver")

TIMEOUT_S = 10.0
STALE_MS = 10 * 60_000
UNDELIVERED_MS = 60 * 60_000
NOTE = "heartbeat"


def unwell(ledger: Ledger, now_ms: int, sites: Collection[str] = ()) -> str | None:
    """Why the heartbeat must not be sent; None while all is well.

    sites : the newest forecast of each that has one must be fresh: one of several forecasters may have stopped
    """
    oldest = ledger.oldest_undelivered_ms()
    if oldest is not None and now_ms - oldest > UNDELIVERED_MS:
        return words()("outcome.an_alarm_has_waited_undelivered_for")
    issued = ledger.issued()
    newest = issued.values()
    if not newest:
        return words()("outcome.no_forecast_has_been_made_yet")
    if now_ms - max(newest) > STALE_MS:
        return words()("outcome.the_newest_forecast_is_more_than")
    old = sum(now_ms - issued[site] > STALE_MS for site in sites if site in issued)
    if old:
        return words()("outcome.the_forecasts_of_sites_are_more", old=old)
    return None


class HeartbeatSender(LoopThread):
    """The thread that sends the heartbeat. start(), stop()."""

    def __init__(
        self,
        url: str,
        every_s: float,
        ledger: Ledger,
        clock: Clock,
        client: httpx.Client | None = None,
        sites: Collection[str] = (),
    ) -> None:
        super().__init__("heartbeat")
        self._url, self._every_s, self._ledger, self._clock = url, every_s, ledger, clock
        self._sites = frozenset(sites)
        self._client = httpx.Client(timeout=TIMEOUT_S, follow_redirects=True) if client is None else client
        self.trouble: str | None = None

    def _work(self) -> None:
        while not self._ending.is_set():
            self.beat()
            self._ending.wait(self._every_s)
        self._client.close()

    def beat(self) -> bool:
        """Send one heartbeat if all is well. Returns whether it arrived."""
        try:
            reason = unwell(self._ledger, self._clock.now_ms(), self._sites)
            if reason is None:
                self._client.get(self._url).raise_for_status()
                self._ledger.note(NOTE, str(self._clock.now_ms()))
        except StoreError as error:
            reason = words()("outcome.the_ledger_cannot_be_read", error=str(error))
        except (httpx.HTTPError, httpx.InvalidURL) as error:
            reason = words()("outcome.it_did_not_arrive", name=type(error).__name__)
        if reason is not None and reason != self.trouble:
            log.warning("heartbeat held back: %s", reason)
        self.trouble = reason
        return reason is None
