"""A discharge test as a person runs it on the pages: started, waiting, the plug pulled by a word, running."""

from __future__ import annotations

import pytest
from playwright.sync_api import Browser, Page, expect

from forecaster.domain.runs import Supply
from tests.api.pagesample import forecast, publish, site
from tests.browser.serving import Served
from tests.browser.test_pages_in_browser import opened

WAITS, RUNS = "A discharge test waits. It holds back no alarm.", "A discharge test runs"
NAME = "Hill House, east pit"


@pytest.fixture
def hill(house: Served) -> Served:
    """A house on mains beside the one that is in an outage."""
    house.services.installation.sites["hill"] = site("hill", NAME)
    publish(house.services, forecast("hill", supply=Supply.MAINS, middle_h=22.0))
    return house


def banners(page: Page, house: Served) -> dict[str, list[str]]:
    """What the page of the site and the page of all sites say at their top."""
    found = {}
    for path in ("/sites/hill", "/"):
        page.goto(house.url + path)
        found[path] = page.locator(".banner").all_inner_texts()
    return found


@pytest.mark.parametrize("script", [True, False], ids=["with script", "without"])
def test_the_plug_is_pulled_by_a_button_and_both_pages_say_what_is_under_way(
    browser: Browser, hill: Served, script: bool
) -> None:
    with opened(browser, f"{hill.url}/sites/hill/discharge", width=360, script=script) as page:
        assert banners(page, hill) == {"/sites/hill": [], "/": []}
        page.goto(f"{hill.url}/sites/hill/discharge")
        expect(page.get_by_role("button", name="I am pulling the plug now")).to_have_count(0)
        page.get_by_role("button", name="Start a test").click()
        pull = page.get_by_role("button", name="I am pulling the plug now")
        expect(pull).to_be_visible()
        waiting = banners(page, hill)
        assert WAITS in waiting["/sites/hill"][0]
        assert waiting["/"][0].startswith(NAME)
        assert WAITS in waiting["/"][0]
        [test] = hill.services.ledger.tests("hill")
        assert test.pulled_ms is None
        page.goto(f"{hill.url}/sites/hill/discharge")
        pull.click()
        expect(pull).to_have_count(0)
        running = banners(page, hill)
        assert all(RUNS in said[0] for said in running.values())
        [test] = hill.services.ledger.tests("hill")
        assert test.pulled_ms is not None


def test_in_an_outage_no_test_is_begun_and_the_page_says_why(browser: Browser, house: Served) -> None:
    page = browser.new_page()
    page.goto(f"{house.url}/sites/larkspur/discharge")
    page.get_by_role("button", name="Start a test").click()
    expect(page.locator("main")).to_contain_text("pack")
    assert house.services.ledger.tests("larkspur") == []
    page.goto(f"{house.url}/")
    expect(page.locator(".banner")).to_have_count(0)
    page.close()
