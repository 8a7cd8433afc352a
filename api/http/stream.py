"""Server-Sent Events: one hub, a bounded queue for each client, events resumed by their id."""

from __future__ import annotations

import asyncio
import threading
from collections import deque
from collections.abc import AsyncIterator, Iterable
from dataclasses import dataclass
from enum import StrEnum

from sse_starlette import ServerSentEvent

QUEUE_LIMIT = 1_000
REPLAY_LIMIT = 2_000


class StreamKind(StrEnum):
    """The kinds of events that a client may choose; `state` and `lost` are sent to everybody."""

    FORECAST = "forecast"
    ALARM = "alarm"
    READING = "reading"


EVERY_KIND = frozenset(StreamKind)

KEPT = (StreamKind.FORECAST, StreamKind.ALARM)
"""What is kept for those who come back: each kind by itself, so that many forecasts push out no alarm."""


@dataclass(frozen=True, slots=True)
class StreamEvent:
    """An event of the stream; `data` is a JSON document."""

    id: int
    kind: StreamKind
    site: str
    data: str


class Subscription:
    """One client's queue. Where it reads too slowly, readings are dropped, then forecasts; it is told how many.

    missed : list of StreamEvent — what is known of the events since its last one; they are sent first
    resumed : bool — those are all of them; otherwise it needs the state after them
    joined_at : str — the event id that stands for the moment of joining
    """

    def __init__(
        self,
        hub: Hub,
        sites: frozenset[str] | None,
        kinds: frozenset[StreamKind],
        loop: asyncio.AbstractEventLoop,
        joined_at: str,
    ) -> None:
        self._hub, self.sites, self._kinds, self._loop = hub, sites, kinds, loop
        self.joined_at = joined_at
        self.missed: list[StreamEvent] = []
        self.resumed = False
        self._waiting: deque[StreamEvent] = deque()
        self._lost = 0
        self._woken = asyncio.Event()
        self._lock = threading.Lock()

    def wants(self, kind: StreamKind, site: str) -> bool:
        """Whether this client wants events of this kind and site."""
        return kind in self._kinds and (self.sites is None or site in self.sites)

    def put(self, event: StreamEvent) -> None:
        """Queue an event; from any thread."""
        with self._lock:
            if len(self._waiting) >= QUEUE_LIMIT:
                self._drop_one()
            self._waiting.append(event)
            stir = len(self._waiting) == 1
        if stir:
            self.stir()

    def stir(self) -> None:
        """Wake the client's loop; from any thread."""
        if not self._loop.is_closed():
            self._loop.call_soon_threadsafe(self._woken.set)

    def _drop_one(self) -> None:
        self._lost += 1
        for kind in (StreamKind.READING, StreamKind.FORECAST):
            for index, event in enumerate(self._waiting):
                if event.kind is kind:
                    del self._waiting[index]
                    return
        self._waiting.popleft()

    async def events(self) -> AsyncIterator[ServerSentEvent]:
        """Events as they come, until the client goes or the hub closes."""
        try:
            while True:
                with self._lock:
                    batch, self._waiting = self._waiting, deque()
                    lost, self._lost = self._lost, 0
                if lost:
                    yield ServerSentEvent(event="lost", data=f'{{"count":{lost}}}')
                for event in batch:
                    yield self._hub.sent(event)
                if self._hub.closed:
                    return
                if not self._waiting:
                    await self._woken.wait()
                self._woken.clear()
        finally:
            self._hub.leave(self)


class Hub:
    """Hands events to every client that listens. `publish` may be called from any thread."""

    def __init__(self, boot: str) -> None:
        self.boot = boot
        self._newest = 0
        self._forgotten = dict.fromkeys(KEPT, 0)
        self._recent: dict[StreamKind, deque[StreamEvent]] = {kind: deque(maxlen=REPLAY_LIMIT) for kind in KEPT}
        self._clients: list[Subscription] = []
        self._lock = threading.Lock()
        self.closed = False

    @property
    def clients(self) -> int:
        """The number of clients that listen now."""
        return len(self._clients)

    def wanted(self) -> frozenset[str] | None:
        """The sites that clients listen to; None: all of them."""
        with self._lock:
            wanted: frozenset[str] = frozenset()
            for client in self._clients:
                if client.sites is None:
                    return None
                wanted |= client.sites
            return wanted

    def sent(self, event: StreamEvent) -> ServerSentEvent:
        """An event as it goes out, with the id that a client sends back as Last-Event-ID."""
        return ServerSentEvent(event=event.kind.value, id=f"{self.boot}-{event.id}", data=event.data)

    def publish(self, kind: StreamKind, site: str, data: str) -> None:
        """Send an event to every client that listens to the site."""
        with self._lock:
            self._newest += 1
            event = StreamEvent(self._newest, kind, site, data)
            if kind in self._recent:
                recent = self._recent[kind]
                if len(recent) == REPLAY_LIMIT:
                    self._forgotten[kind] = recent[0].id
                recent.append(event)
            clients = [c for c in self._clients if c.wants(kind, site)]
        for client in clients:
            client.put(event)

    def join(
        self,
        sites: frozenset[str] | None,
        last_event_id: str | None = None,
        kinds: frozenset[StreamKind] = EVERY_KIND,
    ) -> Subscription:
        """Add a client; call it on the event loop. With a known Last-Event-ID it gets what it missed first."""
        boot, _, number = (last_event_id or "").rpartition("-")
        seen = int(number) if number.isascii() and number.isdecimal() else -1
        with self._lock:
            client = Subscription(self, sites, kinds, asyncio.get_running_loop(), f"{self.boot}-{self._newest}")
            if boot == self.boot and 0 <= seen <= self._newest:
                known = [kind for kind in KEPT if self._forgotten[kind] <= seen]
                client.missed = self._since(seen, known, client)
                client.resumed = kinds.isdisjoint(set(KEPT) - set(known))
            self._clients.append(client)
        return client

    def _since(self, seen: int, kinds: Iterable[StreamKind], client: Subscription) -> list[StreamEvent]:
        found = (event for kind in kinds for event in self._recent[kind])
        wanted = [event for event in found if event.id > seen and client.wants(event.kind, event.site)]
        return sorted(wanted, key=lambda event: event.id)

    def leave(self, client: Subscription) -> None:
        """Remove a client."""
        with self._lock:
            if client in self._clients:
                self._clients.remove(client)

    def close(self) -> None:
        """End every stream; a signal handler may call it."""
        self.closed = True
        for client in list(self._clients):
            client.stir()
