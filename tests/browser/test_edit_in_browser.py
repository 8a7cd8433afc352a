"""The pages that change a site, in a real browser: nothing that axe objects to, on a phone and by night."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser

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


@pytest.mark.parametrize(
    "path", [EDIT, f"{EDIT}/contacts", f"{EDIT}/limits", f"{EDIT}/channels", f"{EDIT}/remove", "/removed"]
)
def test_pages_that_change_a_site_pass_axe(browser: Browser, filed: Served, path: str) -> None:
    with opened(browser, filed.url + path, width=360) as page:
        check(page, path, 360, "light", AXE)
        check(page, path, 1280, "dark", COLOURS)
