"""The handbook's dashboard of one's own, served from another origin: it draws by the API and by the store."""

from __future__ import annotations

import re
import shutil
import threading
from collections.abc import Iterator
from contextlib import closing, contextmanager
from functools import partial
from http.server import SimpleHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import msgspec
import numpy as np
import pytest
from playwright.sync_api import Browser, Page, expect

from api.process.figures import FigureWriter
from api.process.services import Services
from collector.config.settings import Http
from collector.store.influx_figures import FigureStore
from collector.store.influx_server import InfluxServer, parse_address
from forecaster.twin.live import larkspur_site
from tests.browser.serving import Served, serving
from tests.engines import ROOT, Influx, running_influx
from tests.scenario import NOW_MS, services

pytestmark = pytest.mark.timeout(600)

DAY_MS, WIDTH, HEIGHT = 86_400_000, 600.0, 200.0
BUCKET = "dashboard"
Points = list[tuple[float, float]]


class Quiet(SimpleHTTPRequestHandler):
    """Serves files without a word of each."""

    def log_request(self, code: object = "-", size: object = "-") -> None:
        pass


@contextmanager
def origin(folder: Path) -> Iterator[str]:
    """Files served from an origin of their own."""
    with ThreadingHTTPServer(("127.0.0.1", 0), partial(Quiet, directory=str(folder))) as server:
        threading.Thread(target=server.serve_forever, daemon=True).start()
        yield f"http://127.0.0.1:{server.server_address[1]}"
        server.shutdown()


@pytest.fixture(scope="module")
def influx(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Influx]:
    with running_influx(tmp_path_factory.mktemp("influx")) as server:
        yield server


@contextmanager
def house(folder: Path, influx: Influx, origins: tuple[str, ...]) -> Iterator[Served]:
    """Larkspur Lane on the pack, its figures on the server, its API open to pages of these origins."""
    with (
        closing(services(folder, {"larkspur": larkspur_site()}, http=Http(cors_origins=origins))) as held,
        serving(held) as served,
    ):
        server = InfluxServer(parse_address(f"{influx.url}/{BUCKET}"), timeout_s=30)
        writer = FigureWriter(held, FigureStore(server, BUCKET, 0))
        writer.once()
        writer.stop()
        yield served


def page_of(served: Served, influx: Influx) -> str:
    """The page as it stands in the handbook, but for addresses."""
    text = (ROOT / "deploy" / "handbook" / "doors.md").read_text()
    (page,) = re.findall(r"^```html\n(.*?)^```", text, re.DOTALL | re.MULTILINE)
    ours = {
        "http://127.0.0.1:8642": served.url,
        "http://127.0.0.1:8086": f"http://127.0.0.1:{influx.port}",
        'BUCKET = "outlast"': f'BUCKET = "{BUCKET}"',
    }
    for theirs, here in ours.items():
        assert page.count(theirs) == 1
        page = page.replace(theirs, here)
    return str(page)


@contextmanager
def opened(browser: Browser, address: str) -> Iterator[Page]:
    """The page on the day of the scenario."""
    with closing(browser.new_context()) as context:
        page = context.new_page()
        page.clock.install(time=NOW_MS / 1000.0)
        page.goto(f"{address}/index.html")
        yield page


def drawn(page: Page, line: str) -> Points:
    """The corners of a line or an area."""
    text = page.locator(line).get_attribute("points")
    assert text is not None
    return [(float(x), float(y)) for x, y in (corner.split(",") for corner in text.split())]


def wanted(held: Services) -> dict[str, Points]:
    """Middle and ends of the range of each forecast of the day in the ledger, on the page's axes."""
    from_ms = NOW_MS + 1 - DAY_MS
    stored = held.ledger.forecasts("larkspur", from_ms, NOW_MS + 1)
    hours = [(one.issued_ms, msgspec.json.decode(one.document)["hours_remaining"]) for one in stored]
    top = max(each["p90"] for _, each in hours)
    return {
        level: [(WIDTH * (at - from_ms) / DAY_MS, HEIGHT * (1 - each[level] / top)) for at, each in hours]
        for level in ("p10", "p50", "p90")
    }


@pytest.fixture
def folders(larkspur_folder: Path, tmp_path: Path) -> tuple[Path, Path]:
    """A house's folder, and one for the files of a page of another origin."""
    folder, files = tmp_path / "house", tmp_path / "files"
    shutil.copytree(larkspur_folder, folder)
    files.mkdir()
    return folder, files


def test_a_page_of_another_origin_draws_the_hours(browser: Browser, influx: Influx, folders: tuple[Path, Path]) -> None:
    """In: an outage of three hours. Out: the same line and the same area twice, at the places of the ledger's hours."""
    folder, files = folders
    with origin(files) as address, house(folder, influx, (address,)) as served:
        (files / "index.html").write_text(page_of(served, influx))
        with opened(browser, address) as page:
            for name in ("api", "store"):
                expect(page.locator(f"#{name}-says")).to_have_text(re.compile(r"^[\d.]+ to [\d.]+ h$"))
            places = wanted(served.services)
            assert len(places["p50"]) > 10
            for name in ("api", "store"):
                line, area = drawn(page, f"#{name} polyline"), drawn(page, f"#{name} polygon")
                assert np.allclose(line, places["p50"], atol=0.051)
                assert np.allclose(area, [*places["p90"], *reversed(places["p10"])], atol=0.051)
            assert page.locator("#api-says").text_content() == page.locator("#store-says").text_content()


def test_a_page_of_an_origin_that_is_not_named_is_kept_out(
    browser: Browser, influx: Influx, folders: tuple[Path, Path]
) -> None:
    """In: another origin named in the settings. Out: the API's half says that it cannot be read, and draws nothing."""
    folder, files = folders
    with origin(files) as address, house(folder, influx, ("https://dashboard.example.org",)) as served:
        (files / "index.html").write_text(page_of(served, influx))
        with opened(browser, address) as page:
            expect(page.locator("#api-says")).to_have_text(re.compile("^cannot be read"))
            assert page.locator("#api polyline").count() == 0
