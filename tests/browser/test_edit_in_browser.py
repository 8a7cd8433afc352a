"""A site changed in a real browser, without a script, on a phone: refused, shown, saved, taken back; and axe."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, expect

from api.pages.edit.fields import PARTS
from collector.config.site_file import load_site
from forecaster.twin.live import larkspur_site
from tests.api.serving import described, write_outage
from tests.browser.serving import Served, serving
from tests.browser.test_pages_in_browser import AXE, COLOURS, check, opened
from tests.scenario import services

EDIT = "/sites/larkspur/edit"


@pytest.fixture
def filed(tmp_path: Path) -> Iterator[Served]:
    """Larkspur Lane as an installation with a file of its own."""
    write_outage(tmp_path)
    (tmp_path / "sites").mkdir(exist_ok=True)
    described(tmp_path)
    held = services(tmp_path, {"larkspur": larkspur_site()})
    with serving(held) as served:
        yield served
    held.close()


CHANGING = (EDIT, *(f"{EDIT}/{part}" for part in PARTS), f"{EDIT}/remove", "/removed", "/setup/done?site=new")


@pytest.mark.parametrize("path", CHANGING)
def test_pages_that_change_a_site_pass_axe(browser: Browser, filed: Served, path: str) -> None:
    if path.endswith("site=new"):  # written, and not taken up yet
        (filed.services.installation.folder / "sites" / "new.toml").write_text('id = "new"\nname = "Quay Cottage"\n')
    with opened(browser, filed.url + path, width=360) as page:
        check(page, path, 360, "light", AXE)
        check(page, path, 1280, "dark", COLOURS)


@pytest.mark.timeout(1800)
def test_limits_are_tried_on_the_year_and_the_page_follows(browser: Browser, filed: Served) -> None:
    with opened(browser, f"{filed.url}{EDIT}/limits", width=360) as page:
        page.get_by_label("Reserve getting low").first.fill("300")
        page.get_by_role("button", name="Show what changes").click()
        page.get_by_role("button", name="Try them on the last year").click()
        expect(page.get_by_role("status")).to_contain_text("gone through")
        page.evaluate("window.staying = true")
        check(page, "the year, tried", 360, "light", AXE)
        expect(page.get_by_role("row", name="Reserve getting low")).to_be_visible(timeout=1_200_000)
        assert page.evaluate("window.staying")  # without loading the page anew
        check(page, "the year", 360, "light", AXE)
        check(page, "the year", 1280, "dark", COLOURS)
        page.get_by_role("button", name="Back to the limits").click()
        expect(page.get_by_label("Reserve getting low").first).to_have_value("300")


def test_a_contact_is_refused_mended_saved_and_taken_back(browser: Browser, filed: Served) -> None:
    path = filed.services.installation.folder / "sites" / "larkspur.toml"
    before = path.read_text(encoding="utf-8")
    with opened(browser, f"{filed.url}{EDIT}", width=360, script=False) as page:
        page.get_by_role("link", name="People and webhooks").click()
        fresh = page.get_by_role("group", name="Somebody else")
        fresh.get_by_label("Name", exact=True).fill("neighbour")
        fresh.get_by_label("Mail address").fill("nobody")
        fresh.get_by_label("Mail address").press("Enter")
        expect(page.get_by_role("alert")).to_contain_text("One thing is not right yet")
        fresh.get_by_label("Mail address").fill("neighbour@example.org")
        fresh.get_by_label("Mail address").press("Enter")
        expect(page.locator(".diff")).to_contain_text('email = "neighbour@example.org"')
        assert path.read_text(encoding="utf-8") == before
        page.get_by_label("Your name").fill("Ann")
        page.get_by_role("button", name="Save").click()
        expect(page.get_by_role("status")).to_contain_text("Saved: People and webhooks")
        assert [contact.name for contact in load_site(path).contacts][-1] == "neighbour"
        page.get_by_role("button", name="Take it back").click()
        expect(page.get_by_role("status")).to_contain_text("Saved: Taken back")
    assert path.read_text(encoding="utf-8") == before
