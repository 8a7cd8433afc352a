"""What delivery tests share: an installation in a folder, a real ledger, owed deliveries, and receivers that listen."""

from __future__ import annotations

import random
import ssl
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

from api.deliver.courier import Carrier, Courier
from collector.store.open import open_ledger
from forecaster.alarms.plan import deliveries
from forecaster.domain.alarms import Alarm, AlarmKind, AlarmState, AlarmTransition, Priority, TransitionKind
from forecaster.domain.ports import Clock, Ledger
from forecaster.domain.records import Delivery, PushSubscription
from forecaster.domain.site import Contact, Site
from tests.forecaster.evidence import LARKSPUR, START_MS
from tests.scenario import new_ledger


@dataclass
class SteppedClock:
    """A clock that a test moves."""

    at_ms: int = START_MS

    def now_ms(self) -> int:
        return self.at_ms

    def monotonic_s(self) -> float:
        return self.at_ms / 1000.0

    def advance(self, seconds: float) -> None:
        self.at_ms += int(seconds * 1000.0)


class FastClock(SteppedClock):
    """A clock that runs twenty times as fast as the wall, so that threads need not be waited for."""

    def __init__(self) -> None:
        super().__init__()
        self._begun_s = time.monotonic()

    def now_ms(self) -> int:
        return self.at_ms + int((time.monotonic() - self._begun_s) * 20_000.0)


Begin = Callable[[Carrier], Courier]
"""Starts the courier of a carrier."""


def ledger_in(folder: Path) -> Ledger:
    path = folder / "ledger.db"
    if not path.exists():
        path.write_bytes(new_ledger())
    return open_ledger(f"sqlite:///{path}")


def told(
    kind: AlarmKind = AlarmKind.HIGH_WATER,
    what: TransitionKind = TransitionKind.RAISED,
    *,
    revision: int = 0,
    at_ms: int = START_MS,
    state: AlarmState = AlarmState.UNACKNOWLEDGED,
    priority: Priority = Priority.CRITICAL,
    site: str = "larkspur",
) -> AlarmTransition:
    """A transition that people are told of."""
    alarm = Alarm(
        id=f"{site}:{kind}:{START_MS}",
        site=site,
        kind=kind,
        priority=priority,
        state=state,
        episode=START_MS,
        raised_ms=START_MS,
        changed_ms=at_ms,
        headline="HIGH WATER in the pit since 10:02; the floor may be wet in 6 min.",
        action="Now: have someone look from the stairs.",
        consequence="The floor gets wet within minutes.",
        by_ms=START_MS + 300_000,
        cleared_ms=at_ms if what is TransitionKind.CLEARED else None,
        revision=revision,
    )
    return AlarmTransition(alarm, what, at_ms)


def queue(
    ledger: Ledger, site: Site, transitions: Sequence[AlarmTransition], now_ms: int, channel: str | None = None
) -> list[Delivery]:
    """Commit transitions with their deliveries."""
    owed = [
        item
        for transition in transitions
        for item in deliveries(transition, site, now_ms, ledger.subscriptions())
        if channel in (None, item.channel)
    ]
    ledger.commit_transitions(list(transitions), owed, [])
    return owed


def with_webhook(url: str, *, form: str = "json") -> Site:
    contact = Contact(name="owner", webhook=url, webhook_secret="larkspur-secret", webhook_format=form)
    return replace(LARKSPUR, contacts=(contact,))


@dataclass
class Heard:
    """One request as a receiver saw it."""

    path: str
    headers: dict[str, str]
    body: bytes


@dataclass
class Receiver:
    """A local HTTP server that answers as it is told, and remembers what it heard.

    answers : the codes of the next answers, then 204 for ever; headers go with each answer that is not 204
    """

    answers: list[int] = field(default_factory=list)
    headers: dict[str, str] = field(default_factory=dict)
    slow_s: float = 0.0
    heard: list[Heard] = field(default_factory=list)
    port: int = 0
    scheme: str = "http"

    @property
    def url(self) -> str:
        return f"{self.scheme}://127.0.0.1:{self.port}/hook"

    def keys(self) -> list[str]:
        return [item.headers["idempotency-key"] for item in self.heard]


class QuietServer(ThreadingHTTPServer):
    """Says nothing of clients that hang up, or that do not trust its certificate."""

    def handle_error(self, request: object, client_address: object) -> None:
        del request, client_address


@contextmanager
def listening(receiver: Receiver, tls: ssl.SSLContext | None = None, port: int = 0) -> Iterator[Receiver]:
    """Serve until the block ends."""

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers.get("content-length", "0")))
            receiver.heard.append(Heard(self.path, {k.lower(): v for k, v in self.headers.items()}, body))
            time.sleep(receiver.slow_s)
            code = receiver.answers.pop(0) if receiver.answers else 204
            self.send_response(code)
            if code != 204:
                for name, value in receiver.headers.items():
                    self.send_header(name, value)
            self.send_header("content-length", "0")
            self.end_headers()

        def do_GET(self) -> None:
            self.do_POST()

        def log_message(self, format: str, *args: object) -> None:
            del format, args

    server = QuietServer(("127.0.0.1", port), Handler)
    if tls is not None:
        server.socket = tls.wrap_socket(server.socket, server_side=True)
        receiver.scheme = "https"
    receiver.port = server.server_address[1]
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02})
    thread.start()
    try:
        yield receiver
    finally:
        server.shutdown()
        thread.join()
        server.server_close()


def courier(carrier: Carrier, ledger: Ledger, clock: Clock) -> Courier:
    return Courier(carrier, ledger, clock, random.Random(1))


def carry(courier: Courier, clock: SteppedClock, hours: float = 1.0, step_s: float = 5.0) -> None:
    """Let held time pass in steps, carrying what is due at each."""
    for _ in range(int(hours * 3600.0 / step_s)):
        courier.turn()
        clock.advance(step_s)


def eventually(true: Callable[[], bool], what: str, limit_s: float = 120.0) -> None:
    deadline = time.monotonic() + limit_s
    while not true():
        assert time.monotonic() < deadline, f"{what} did not happen within {limit_s:.0f} s"
        time.sleep(0.05)


def subscription(endpoint: str, p256dh: str, auth: str) -> PushSubscription:
    return PushSubscription("browser", endpoint, p256dh, auth, None, "owner", START_MS)
