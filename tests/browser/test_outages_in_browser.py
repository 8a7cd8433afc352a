"""Pages reached from an outage or a sheet alone: axe finds nothing in any look, nothing is wider than a phone."""

from __future__ import annotations

import pytest
from playwright.sync_api import Browser, expect

from forecaster.domain.runs import Outage
from forecaster.domain.times import HOUR_MS
from tests.browser.serving import Served
from tests.browser.test_pages_in_browser import LOOKS, check, opened
from tests.scenario import NOW_MS

EARLIER = Outage("larkspur", NOW_MS - 60 * HOUR_MS, NOW_MS - 51 * HOUR_MS, False, 100.0, lowest_charge_percent=44.0)


@pytest.mark.parametrize(
    "path", ["/sites/larkspur/outages/compare", "/sites/larkspur/sheet", "/look", "/sites/larkspur/health"]
)
def test_a_page_behind_another_passes_axe_in_every_look(browser: Browser, house: Served, path: str) -> None:
    house.services.ledger.record([EARLIER])
    if path.endswith("compare"):
        starts = [outage.start_ms for outage in house.services.ledger.outages("larkspur")][:2]
        assert len(starts) == 2
        path += "?" + "&".join(f"outage={start_ms}" for start_ms in starts)
    with opened(browser, house.url + path, width=360) as page:
        expect(page.locator("h1")).to_be_visible()
        for width, scheme, rules in LOOKS:
            check(page, path, width, scheme, rules)


def test_a_code_that_opens_nothing_passes_axe_with_its_fault(browser: Browser, house: Served) -> None:
    refused = ("status of 401",)
    with opened(browser, f"{house.url}/look", width=360, script=False, meant=refused) as page:
        page.locator("#code").fill("no such code")
        page.locator("main button").click()
        expect(page.get_by_role("alert")).to_be_visible()
    with opened(browser, f"{house.url}/look", width=360, meant=refused) as page:
        page.locator("#code").fill("no such code")
        page.locator("main button").click()
        for width, scheme, rules in LOOKS:
            check(page, "/look, refused", width, scheme, rules)
