"""Weather services that are slow or endless, as real servers: each is late with its own rain alone."""

from __future__ import annotations

import json
import threading
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import replace
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

from collector.store.open import open_store
from collector.weather import PART_BYTES, SIZE_LIMIT, WeatherWorker
from forecaster.domain.site import Site, WeatherService
from forecaster.twin.live import larkspur_site
from tests.engines import wait_until
from tests.scenario import NOW_MS, HeldClock

HOURS = {"hourly": {"time": ["2026-03-03T12:00:00Z", "2026-03-03T13:00:00Z"], "rain": [1.0, 2.5]}}
PATIENCE_S = 120.0


@contextmanager
def service(answer: Callable[[BaseHTTPRequestHandler], None]) -> Iterator[str]:
    """A weather service that answers as it is told; its address."""

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            self.send_response(200)
            self.end_headers()
            answer(self)

        def log_message(self, format: str, *args: object) -> None:
            del format, args

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    server.daemon_threads = True
    threading.Thread(target=server.serve_forever, daemon=True).start()
    try:
        yield f"http://127.0.0.1:{server.server_address[1]}/"
    finally:
        server.shutdown()
        server.server_close()


def house(name: str, url: str) -> Site:
    weather = WeatherService(url=url, time="$.hourly.time[*]", rain="$.hourly.rain[*]", unit="mm")
    return replace(larkspur_site(), id=name, weather=weather)


def test_a_service_that_trickles_keeps_nobody_else_waiting(tmp_path: Path) -> None:
    """In: one service that never ends its answer, one that is well. Out: two hours of rain of the second."""
    over = threading.Event()

    def well(to: BaseHTTPRequestHandler) -> None:
        to.wfile.write(json.dumps(HOURS).encode())

    def trickle(to: BaseHTTPRequestHandler) -> None:
        while not over.wait(0.2):
            to.wfile.write(b" ")

    with (
        service(trickle) as slow,
        service(well) as quick,
        closing(open_store(f"sqlite:///{tmp_path / 'r.db'}")) as store,
    ):
        worker = WeatherWorker(
            {n: house(n, u) for n, u in (("a-slow", slow), ("b-well", quick))}, store, HeldClock(NOW_MS)
        )
        worker.start()
        wait_until(lambda: store.count("b-well") == 2, "the rain of the second site", PATIENCE_S)
        assert store.count("a-slow") == 0
        assert worker.alive()
        over.set()
        worker.stop()


def test_an_endless_answer_is_not_downloaded(tmp_path: Path) -> None:
    """In: an answer without end. Out: it is left as soon as it is larger than 4 MiB, and told."""
    sent = 0

    def endless(to: BaseHTTPRequestHandler) -> None:
        nonlocal sent
        try:
            while True:
                to.wfile.write(b" " * PART_BYTES)
                sent += PART_BYTES
        except OSError:
            return

    with service(endless) as url, closing(open_store(f"sqlite:///{tmp_path / 'r.db'}")) as store:
        site = house("larkspur", url)
        worker = WeatherWorker({site.id: site}, store, HeldClock(NOW_MS))
        worker.poll(site)
        assert "larger than 4 MiB" in worker.failing()[site.id]
        assert SIZE_LIMIT <= sent < 4 * SIZE_LIMIT
        worker.stop()
