"""The event stream from Python: it goes on by itself after a cut, from the last event that was read."""

from __future__ import annotations

import time
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import httpx
import msgspec
from httpx_sse import SSEError, connect_sse

from api.client.errors import accepted
from collector.backoff import Backoff

SILENCE_S = 45.0
"""A stream that says nothing for so long is cut: three of the server's pings [s]."""

RETRY_S = (0.5, 30.0)
"""Waits before the next attempt to connect: the first and the longest [s]."""

TOO_MANY = 429
"""The status that asks to come back later."""


@dataclass(frozen=True, slots=True)
class Event:
    """One event of the stream.

    kind : str — "forecast", "alarm", "reading", "state" or "lost", as the handbook tells of the stream
    id : str — where the stream goes on after it
    data : dict — the document
    """

    kind: str
    id: str
    data: dict[str, Any]


class EventSource:
    """The events of an installation, without end.

    A cut connection is made again with the id of the last event, so no change of an alarm or of the supply is missed;
    where the server no longer remembers that event (it was started anew), those come from its ledger, and then `state`.
    ClientError where the server refuses: a wrong token, an unknown site.

    http : httpx.Client — whose base is the API; asked : the query of the stream
    after : str — `Event.id` of the last event that an earlier run of the program has read; "" for none
    """

    def __init__(self, http: httpx.Client, asked: Mapping[str, str], after: str = "") -> None:
        self._http, self._asked = http, asked
        self._last_id = after
        self._backoff = Backoff(*RETRY_S, name="events")

    def __iter__(self) -> Iterator[Event]:
        while True:
            try:
                yield from self._connection()
                wait_s = self._backoff.fail()  # ended in good order: the server stops
            except (httpx.TransportError, SSEError):
                wait_s = self._backoff.fail()
            time.sleep(wait_s)

    def _connection(self) -> Iterator[Event]:
        headers = {"Last-Event-ID": self._last_id} if self._last_id else {}
        timeout = httpx.Timeout(SILENCE_S)
        with connect_sse(self._http, "GET", "stream", params=self._asked, headers=headers, timeout=timeout) as source:
            status = source.response.status_code
            if status >= httpx.codes.INTERNAL_SERVER_ERROR or status == TOO_MANY:
                return  # a proxy whose server is being started anew: try again
            accepted(source.response)
            for said in source.iter_sse():
                self._backoff.succeed()
                self._last_id = said.id or self._last_id
                if said.data:  # the retry time alone is no event
                    yield Event(said.event, self._last_id, msgspec.json.decode(said.data))
