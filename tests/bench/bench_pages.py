"""How quickly pages are made over a year of history, how much goes over the wire, and when the page is painted."""

from __future__ import annotations

import asyncio
import statistics
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import httpx
import msgspec

from api.http.app import create_app
from api.http.publisher import StreamPublisher
from api.process.services import Services
from forecaster.domain.alarms import AlarmKind, Priority
from forecaster.domain.quantities import Quantity
from forecaster.domain.readings import Reading
from forecaster.domain.records import StoredForecast
from forecaster.domain.runs import Outage
from forecaster.domain.times import HOUR_MS
from tests.api.pagesample import LOCAL, forecast, heard, publish, runs, site
from tests.bench import Figure
from tests.browser.conftest import chromium
from tests.browser.serving import serving
from tests.browser.test_fleet_in_browser import alarm, drawn_anew, fleet, rise, text_of
from tests.scenario import NOW_MS, services

YEAR_H = 365 * 24
SLOW_PHONE = 4
"""How many times slower than this machine's processor. Common practice for a slow phone, no source."""
PAINTED = """() => new Promise(done => new PerformanceObserver(list => done(list.getEntries().at(-1).startTime))
  .observe({type: 'largest-contentful-paint', buffered: true}))"""


def year(folder: Path) -> Services:
    """A site with a year behind it: charge every minute, power every five, eight runs an hour, an outage a month."""
    held = services(folder, {"larkspur": site()})
    first_ms = NOW_MS - YEAR_H * HOUR_MS
    for day in range(365):
        start = first_ms + day * 24 * HOUR_MS
        charge = [
            Reading("larkspur", Quantity.PACK_CHARGE, at, 100.0 - at // 60_000 % 40, at)
            for at in range(start, start + 24 * HOUR_MS, 60_000)
        ]
        power = [
            Reading("larkspur", Quantity.PUMP_POWER, at, 512.0 if at // 300_000 % 3 == 0 else 0.0, at)
            for at in range(start, start + 24 * HOUR_MS, 300_000)
        ]
        held.store.append([*charge, *power])
        held.ledger.record(runs(count=192, every_ms=450_000, until_ms=start + 24 * HOUR_MS))
    held.ledger.record(
        [Outage("larkspur", NOW_MS - k * 720 * HOUR_MS, NOW_MS - (k * 720 - 3) * HOUR_MS, False) for k in range(1, 12)]
    )
    held.ledger.record([Outage("larkspur", NOW_MS - 3 * HOUR_MS, None, False)])
    publish(held, forecast())
    heard(held)
    return held


async def asked(held: Services, path: str, times: int) -> tuple[float, float]:
    """Median processor time of an answer [ms], which a busy machine does not lengthen, and of the lightest answer."""
    transport = httpx.ASGITransport(create_app(held))
    async with httpx.AsyncClient(transport=transport, base_url=LOCAL) as client:
        taken: dict[str, list[float]] = {path: [], "/manifest.webmanifest": []}
        for turn in range(times + 1):
            for each, spent in taken.items():
                start = time.process_time()
                (await client.get(each)).raise_for_status()
                if turn:
                    spent.append(1000.0 * (time.process_time() - start))
    return statistics.median(taken[path]), statistics.median(taken["/manifest.webmanifest"])


def busy_until_paint(trace: Path) -> float:
    """Processor time of the page's main thread up to its largest paint [ms], which a busy machine hardly lengthens."""
    events = msgspec.json.decode(trace.read_bytes())["traceEvents"]
    painted_us = max(e["ts"] for e in events if e["name"] == "largestContentfulPaint::Candidate")
    asked_us = min(e["ts"] for e in events if e["name"] == "ResourceSendRequest")
    thread = next((e["pid"], e["tid"]) for e in events if e["name"] == "ParseHTML")
    tasks = [
        e.get("tdur", 0)
        for e in events
        if e["name"].endswith("RunTask") and (e["pid"], e["tid"]) == thread and asked_us <= e["ts"] <= painted_us
    ]
    return float(sum(tasks)) / 1000.0


def painted(held: Services, trace: Path, path: str = "/sites/larkspur") -> tuple[float, float, float]:
    """Largest paint of a first view, slowed [ms], the main thread till then [ms], and kilobytes over the wire."""
    with serving(held) as served, chromium() as browser:
        page = browser.new_context(viewport={"width": 360, "height": 800}).new_page()
        talk = page.context.new_cdp_session(page)
        talk.send("Emulation.setCPUThrottlingRate", {"rate": SLOW_PHONE})
        browser.start_tracing(page=page, path=trace, categories=["devtools.timeline", "loading", "toplevel"])
        page.goto(f"{served.url}{path}")
        page.wait_for_timeout(1500)
        paint = float(page.evaluate(PAINTED))
        browser.stop_tracing()
        return paint, busy_until_paint(trace), served.sent.total / 1000.0


def followed(folder: Path) -> float:
    """From a lost mains in the ledger of a fleet of 1,000 to its row on an open page, middle of seven [s]."""
    held, taken = fleet(folder, 1000), []
    told = StreamPublisher(held.hub)
    with serving(held) as served, chromium() as browser:
        page = browser.new_page()
        page.goto(served.url)
        drawn_anew(page, served)
        for turn in range(7):
            site_id = f"s{700 + turn}"
            lost = replace(forecast(site_id, middle_h=2.0), issued_at_ms=NOW_MS + 2)
            begun = time.monotonic()
            publish(held, lost)
            told.forecast(StoredForecast(site_id, lost.issued_at_ms, text_of(lost)))
            told.alarm(rise(held, alarm(site_id, AlarmKind.CRITICAL_RESERVE, Priority.CRITICAL)))
            page.locator("tr.on-pack", has_text=f"Cellar {700 + turn}").wait_for()
            taken.append(time.monotonic() - begun)
    held.close()
    return statistics.median(taken)


def run() -> list[Figure]:
    """All figures of the pages."""
    with tempfile.TemporaryDirectory() as place:
        held = year(Path(place))
        found: list[Figure] = []
        for name, path, aim in (
            ("site page, a year of history", "/sites/larkspur", "<= 50"),
            ("history page of a day", "/sites/larkspur/history?span=day", ""),
            ("history page of a year", "/sites/larkspur/history?span=year", "<= 200"),
        ):
            middle, least = asyncio.run(asked(held, path, 9))
            found.append(Figure(f"{name}, server's processor time", middle, "ms", aim))
            found.append(Figure(f"{name}, against an empty answer", middle / least, "ratio", "", "the manifest"))
        paint, busy, kilobytes = painted(held, Path(place) / "trace.json")
        held.close()
    with tempfile.TemporaryDirectory() as place:
        found.append(
            Figure("a row of 1,000 after its mains failed, on an open page", followed(Path(place)), "s", "<= 2")
        )
        folder = Path(place) / "thousand"
        folder.mkdir()
        thousand = fleet(folder, 1000)
        fleet_paint, _, fleet_kilobytes = painted(thousand, Path(place) / "trace.json", "/")
        thousand.close()
    found.append(Figure("largest paint, processor slowed 4 times", paint, "ms", "<= 1000"))
    found.append(Figure("largest paint of a fleet of 1,000, slowed the same", fleet_paint, "ms", "<= 1000"))
    found.append(
        Figure("first view of a fleet of 1,000 over the wire, worker included", fleet_kilobytes, "kB", "<= 150")
    )
    found.append(Figure("until then the page's main thread, not slowed, processor time", busy, "ms"))
    found.append(Figure("first view over the wire, worker included", kilobytes, "kB", "<= 120"))
    return found
