"""Weather services that are slow or endless, as real servers: each is late with its own rain alone."""

from __future__ import annotations

import gzip
import json
import threading
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import replace
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import pytest

from collector.store.open import open_store
from collector.weather import PART_BYTES, SIZE_LIMIT, WeatherWorker
from forecaster.domain.site import Site, WeatherService
from forecaster.twin.live import larkspur_site
from tests.engines import wait_until
from tests.scenario import NOW_MS, HeldClock

HOURS = {"hourly": {"time": ["2026-03-03T12:00:00Z", "2026-03-03T13:00:00Z"], "rain": [1.0, 2.5]}}
PATIENCE_S = 120.0


@contextmanager
def service(answer: Callable[[BaseHTTPRequestHandler], object], location: str | None = None) -> Iterator[str]:
    """A weather service that answers as it is told, or sends on to another location; its address."""

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            self.send_response(200 if location is None else 302)
            if location is not None:
                self.send_header("Location", location)
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


HOSTILE: dict[str, bytes] = {
    "nested 1,000,000 deep": b"[" * 1_000_000,
    "a time beyond all numbers": b'{"hourly": {"time": [1e300, -1e300], "rain": [1, 2]}}',
    "an endless time": b'{"hourly": {"time": ["1e999", 1e999], "rain": [1, 2]}}',
    "an amount of 400 digits": b'{"hourly": {"time": ["2026-03-03T12:00:00Z"], "rain": [' + b"9" * 400 + b"]}}",
    "a number of 10,000 digits": b'{"hourly": {"time": [' + b"9" * 10_000 + b'], "rain": [1]}}',
    "not a number": b'{"hourly": {"time": ["2026-03-03T12:00:00Z"], "rain": [NaN]}}',
    "the year 1 far east": b'{"hourly": {"time": ["0001-01-01T00:00:00+14:00"], "rain": [1]}}',
    "not UTF-8": b'{"hourly": "\xff\xfe"}',
}


@pytest.mark.parametrize("name", HOSTILE)
def test_a_hostile_answer_is_that_sites_trouble_alone(tmp_path: Path, name: str) -> None:
    """In: one answer each. Out: told in a line, nothing stored, and nothing raised that would end the process."""
    with (
        service(lambda to: to.wfile.write(HOSTILE[name])) as url,
        closing(open_store(f"sqlite:///{tmp_path / 'r.db'}")) as store,
    ):
        site = house("larkspur", url)
        worker = WeatherWorker({site.id: site}, store, HeldClock(NOW_MS))
        worker.poll(site)
        assert len(worker.failing()["larkspur"]) < 300
        assert store.count() == 0
        worker.stop()


@pytest.mark.parametrize(
    ("inside", "says"),
    [
        ("http://169.254.169.254/latest/", "a private network (169.254.169.254)"),
        ("http://10.0.0.1/", "a private network (10.0.0.1)"),
        ("http://[::1]:9/", "a private network (::1)"),
        ("ftp://x/", "does not begin with https://"),
    ],
)
def test_no_redirect_leads_into_a_private_network(tmp_path: Path, inside: str, says: str) -> None:
    """Addresses of machines' own data and of private networks (RFC 1918, RFC 3927, RFC 4291)."""
    with service(lambda _: None, inside) as url, closing(open_store(f"sqlite:///{tmp_path / 'r.db'}")) as store:
        site = house("larkspur", url)
        worker = WeatherWorker({site.id: site}, store, HeldClock(NOW_MS))
        worker.poll(site)
        assert says in worker.failing()["larkspur"]
        worker.stop()


def test_a_packed_answer_is_not_unpacked(tmp_path: Path) -> None:
    """In: 100 MB of blanks, packed into 100 kB. Out: refused as packed, though it was asked for as it is."""
    packed = gzip.compress(b" " * 100_000_000, 1)

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            self.send_response(200)
            self.send_header("Content-Encoding", "gzip")
            self.end_headers()
            self.wfile.write(packed)

        def log_message(self, format: str, *args: object) -> None:
            del format, args

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    with closing(open_store(f"sqlite:///{tmp_path / 'r.db'}")) as store:
        site = house("larkspur", f"http://127.0.0.1:{server.server_address[1]}/")
        worker = WeatherWorker({site.id: site}, store, HeldClock(NOW_MS))
        worker.poll(site)
        assert "packed" in worker.failing()["larkspur"]
        worker.stop()
    server.shutdown()
    server.server_close()
