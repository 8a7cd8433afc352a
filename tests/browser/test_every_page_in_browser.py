"""Every page that there is, without a script and by keys alone: each form can be sent, each control can be reached."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page

from tests.browser.looks import addresses, made
from tests.browser.serving import Served, serving
from tests.browser.test_pages_in_browser import opened

NOT_SENT = """
() => [...document.querySelectorAll('main form')]
  .filter(form => form.checkVisibility())
  .filter(form => ![...form.elements].some(one => one.type === 'submit' && one.checkVisibility() && one.tabIndex >= 0))
  .map(form => form.getAttribute('action'))
"""
"""Forms that nothing on the page would send."""

CONTROLS = "main :is(a[href], button, input:not([type=hidden]), select, textarea, summary, [tabindex='0'])"
NUMBERED = """
selector => {
  const all = [...document.querySelectorAll(selector)].filter(one => one.tabIndex >= 0 && one.checkVisibility());
  all.forEach((one, at) => { one.dataset.number = at; });
  return all.map(one => one.outerHTML.slice(0, 90));
}
"""
REACHED = "() => document.activeElement?.dataset.number ?? null"


@pytest.fixture(scope="module")
def every(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Served, tuple[str, ...]]]:
    folder: Path = tmp_path_factory.mktemp("every")
    held = made(folder)
    with serving(held) as served:
        yield served, addresses(held)
    held.close()


def test_without_a_script_every_form_can_be_sent(browser: Browser, every: tuple[Served, tuple[str, ...]]) -> None:
    served, paths = every
    stuck = {}
    with opened(browser, served.url, width=360, script=False) as page:
        for path in paths:
            page.goto(served.url + path)
            if found := page.evaluate(NOT_SENT):
                stuck[path] = found
    assert stuck == {}


@pytest.mark.slow
@pytest.mark.timeout(900)
def test_every_control_is_reached_by_keys_alone(browser: Browser, every: tuple[Served, tuple[str, ...]]) -> None:
    """WCAG 2.1.1 and 2.1.2: each takes the focus in its turn, and lets it go."""
    served, paths = every
    missed = {}
    with opened(browser, served.url) as page:
        for path in paths:
            page.goto(served.url + path)
            if left := unreached(page):
                missed[path] = left
    assert missed == {}


def unreached(page: Page) -> list[str]:
    """Visible controls of a page that Tab does not come to."""
    controls = page.evaluate(NUMBERED, CONTROLS)
    seen = set()
    for _ in range(3 * len(controls) + 60):  # those above and below, and fields of a date, which take several steps
        page.keyboard.press("Tab")
        at = page.evaluate(REACHED)
        if at is not None:
            seen.add(int(at))
        if len(seen) == len(controls):
            break
    return [shown for at, shown in enumerate(controls) if at not in seen]
