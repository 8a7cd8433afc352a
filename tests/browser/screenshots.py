"""Makes the pictures of the documents from a simulated installation: `python -m tests.browser.screenshots [FOLDER]`.

A page of each kind, as a phone held upright shows it and as a desk does, in light and in dark.
"""

from __future__ import annotations

import sys
import tempfile
from dataclasses import replace
from pathlib import Path
from typing import Literal

from playwright.sync_api import Browser

from api.process.services import Services
from forecaster.domain.alarms import AlarmKind, AlarmState, Priority
from forecaster.domain.forecast import Forecast
from forecaster.domain.records import Delivery
from forecaster.domain.runs import Supply
from forecaster.domain.site import Contact, Site
from forecaster.domain.times import DAY_MS
from forecaster.twin.live import larkspur_site
from tests.api.pagesample import forecast, heard, publish, site
from tests.browser.conftest import chromium
from tests.browser.serving import serving
from tests.browser.test_fleet_in_browser import alarm, rise
from tests.scenario import NOW_MS, services, tell_larkspur

FOLDER = Path(__file__).resolve().parents[2] / "deploy" / "pictures"
DESK, PHONE = 1280, 360

SHOTS: tuple[tuple[str, str, int, Literal["light", "dark"], int], ...] = (
    ("site-desk-light", "/sites/larkspur", DESK, "light", 800),
    ("site-desk-dark", "/sites/larkspur", DESK, "dark", 800),
    ("site-phone-light", "/sites/larkspur", PHONE, "light", 1270),
    ("site-phone-dark", "/sites/larkspur", PHONE, "dark", 1270),
    ("fleet-desk-light", "/", DESK, "light", 620),
    ("fleet-phone-dark", "/", PHONE, "dark", 1270),
    ("history-desk-light", "/sites/larkspur/history?span=day", DESK, "light", 1150),
    ("sizing-phone-light", "/sites/larkspur/sizing", PHONE, "light", 1270),
)
"""Name, path, width, scheme, height kept."""

NEIGHBOURS = (
    ("brook", "Brook Street, boiler room", Supply.PACK, 3.4),
    ("hill", "Hill House, east pit", Supply.MAINS, 22.0),
    ("mill", "Mill Row cellar", Supply.MAINS, 41.0),
    ("quay", "Quay Cottage", Supply.PACK, 16.0),
)


OWNERS = (
    Contact("Robin", webhook="https://hooks.example.org/robin"),
    Contact("Ann", webhook="https://hooks.example.org/ann"),
)


def neighbours() -> tuple[dict[str, Site], list[Forecast]]:
    """Other basements for the list of all sites."""
    sites = {key: site(key, name) for key, name, _, _ in NEIGHBOURS}
    return sites, [forecast(key, supply=supply, middle_h=hours) for key, _, supply, hours in NEIGHBOURS]


def told(folder: Path) -> Services:
    """The installation that is pictured."""
    sites, forecasts = neighbours()
    lane = replace(larkspur_site(), contacts=OWNERS)
    held = services(folder, {"larkspur": lane, **sites})
    tell_larkspur(held.store, held.ledger, before_h=22.0, lost_h=2.9)
    for made in forecasts:
        publish(held, replace(made, data_age_s=6.0))
        heard(held, made.site, NOW_MS - 6000)
    low = alarm("brook", AlarmKind.LOW_RESERVE, Priority.HIGH, AlarmState.ACKNOWLEDGED)
    rise(held, replace(low, headline="Until about 08:30.", acknowledged_by="Ann"))
    people_told(held)
    return held


def people_told(held: Services) -> None:
    """The owner has been told of the lost mains; a message to the neighbour is on its way."""
    lost = held.ledger.alarms("larkspur")[0]
    messages = [
        Delivery(
            f"{lost.id}:{who}", "webhook", "https://hooks.example.org", "larkspur", "{}", lost.raised_ms,
            lost.raised_ms if done else NOW_MS, NOW_MS + DAY_MS, attempts=int(done),
            done_ms=lost.raised_ms + 4_000 if done else None, who=who, alarm_id=lost.id,
        )
        for who, done in ((OWNERS[0].name, True), (OWNERS[1].name, False))
    ]  # fmt: skip
    held.ledger.commit_transitions([], messages, [])


def shoot(browser: Browser, url: str, folder: Path) -> None:
    """Take every picture."""
    for name, path, width, scheme, height in SHOTS:
        context = browser.new_context(
            viewport={"width": width, "height": height},
            color_scheme=scheme,
            device_scale_factor=1.5 if width == PHONE else 1,
            service_workers="block",
        )
        page = context.new_page()
        page.goto(url + path)
        page.wait_for_timeout(400)
        page.screenshot(path=folder / f"{name}.png")
        context.close()


def main(folder: Path = FOLDER) -> None:
    """Record the scenario, serve it, take the pictures."""
    folder.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as place:
        held = told(Path(place))
        with serving(held) as served, chromium() as browser:
            shoot(browser, served.url, folder)
        held.close()


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else FOLDER)
