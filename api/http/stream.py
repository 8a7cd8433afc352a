"""Server-Sent Events: one hub, a bounded queue for each client, events resumed by their id."""

from __future__ import annotations

import asyncio
import threading
from collections import deque
from collections.abc import AsyncIterator, Callable, Iterable
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


LONGEST_NUMBER = 18
"""Digits of a number in an event's id; more are none of ours."""


@dataclass(frozen=True, slots=True)
class StreamMark:
    """Where an event stands: among those of its process, among the ledger's changes of alarms, and in time.

    boot : str — names the process; of another process only the other two tell anything
    number : int — of the event; change : int — number of the last change of an alarm that was told before or with it
    at_ms : int — when it was sent, UTC milliseconds
    """

    boot: str
    number: int
    change: int
    at_ms: int

    def __str__(self) -> str:
        return f"{self.boot}-{self.number}-{self.change}-{self.at_ms}"

    @staticmethod
    def read(text: str | None) -> StreamMark | None:
        """The mark in a Last-Event-ID; None for a text that is no such id."""
        boot, *written = (text or "").split("-")
        if len(written) != 3 or not all(w.isascii() and w.isdecimal() and len(w) <= LONGEST_NUMBER for w in written):
            return None
        number, change, at_ms = map(int, written)
        return StreamMark(boot, number, change, at_ms)


@dataclass(frozen=True, slots=True)
class StreamEvent:
    """An event of the stream; `data` is a JSON document."""

    mark: StreamMark
    kind: StreamKind
    site: str
    data: str

    def sent(self) -> ServerSentEvent:
        """As it goes out, with the id that a client sends back as Last-Event-ID."""
        return ServerSentEvent(event=self.kind.value, id=str(self.mark), data=self.data)


class Subscription:
    """One client's queue. Where it reads too slowly, readings are dropped, then forecasts; it is told how many.

    since : StreamMark | None — of the last event that it has read; None where it has read none that is known
    joined_at : StreamMark — of the moment of joining
    missed : list of StreamEvent — what is remembered of the events since its last one
    known : bool — whether its last event was one of this process
    forgotten : frozenset of StreamKind — the kinds of which some are not remembered: the ledger is to be asked
    """

    def __init__(
        self,
        hub: Hub,
        sites: frozenset[str] | None,
        kinds: frozenset[StreamKind],
        loop: asyncio.AbstractEventLoop,
        joined_at: StreamMark,
        since: StreamMark | None,
    ) -> None:
        self._hub, self.sites, self._kinds, self._loop = hub, sites, kinds, loop
        self.joined_at, self.since = joined_at, since
        self.missed: list[StreamEvent] = []
        self.forgotten = kinds & set(KEPT)
        self.known = False
        self._waiting: deque[StreamEvent] = deque()
        self._lost = 0
        self._woken = asyncio.Event()
        self._lock = threading.Lock()

    @property
    def resumed(self) -> bool:
        """Whether `missed` is all that it has missed; otherwise it needs the state after it."""
        return self.known and not self.forgotten

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
                    yield event.sent()
                if self._hub.closed:
                    return
                if not self._waiting:
                    await self._woken.wait()
                self._woken.clear()
        finally:
            self._hub.leave(self)


class Hub:
    """Hands events to every client that listens. `publish` may be called from any thread.

    boot : str — names this process; change : int — the number of the last change of an alarm that is no news here
    now_ms : the clock that the forecasts' times are of, UTC milliseconds
    """

    def __init__(self, boot: str, change: int = 0, *, now_ms: Callable[[], int]) -> None:
        self.boot, self.change = boot, change
        self._now_ms = now_ms
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

    def publish(self, kind: StreamKind, site: str, data: str, change: int | None = None) -> None:
        """Send an event to every client that listens to the site. change : the number of an alarm's change."""
        with self._lock:
            self._newest += 1
            self.change = self.change if change is None else change
            event = StreamEvent(self._mark(), kind, site, data)
            if kind in self._recent:
                recent = self._recent[kind]
                if len(recent) == REPLAY_LIMIT:
                    self._forgotten[kind] = recent[0].mark.number
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
        since = StreamMark.read(last_event_id)
        with self._lock:
            client = Subscription(self, sites, kinds, asyncio.get_running_loop(), self._mark(), since)
            client.known = since is not None and since.boot == self.boot and since.number <= self._newest
            if since is not None and client.known:
                known = [kind for kind in KEPT if self._forgotten[kind] <= since.number]
                client.missed = self._since(since.number, known, client)
                client.forgotten -= set(known)
            self._clients.append(client)
        return client

    def _mark(self) -> StreamMark:
        return StreamMark(self.boot, self._newest, self.change, self._now_ms())

    def _since(self, seen: int, kinds: Iterable[StreamKind], client: Subscription) -> list[StreamEvent]:
        found = (event for kind in kinds for event in self._recent[kind])
        wanted = [event for event in found if event.mark.number > seen and client.wants(event.kind, event.site)]
        return sorted(wanted, key=lambda event: event.mark.number)

    def skip(self, kind: StreamKind) -> None:
        """Events of a kind were not published, as nobody listened: who comes back does not find them here."""
        with self._lock:
            self._newest += 1
            self._forgotten[kind] = self._newest

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
