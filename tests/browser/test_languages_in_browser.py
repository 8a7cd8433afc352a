"""Every page in every language on a narrow phone: nothing wider than the screen; and the switch of languages."""

from __future__ import annotations

import re
from typing import Any

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, ViewportSize, expect

from forecaster.texts.catalogue import languages, words
from tests.browser.serving import Served
from tests.browser.test_pages_in_browser import PATHS

PHONE: ViewportSize = {"width": 360, "height": 780}
TOO_WIDE = """() => {
  const room = document.documentElement.clientWidth;
  const scrolls = (e) => e && (['auto', 'scroll'].includes(getComputedStyle(e).overflowX) || scrolls(e.parentElement));
  const wide = [...document.body.querySelectorAll('*')].filter((e) => {
    const box = e.getBoundingClientRect();
    return box.width > 0 && box.right > room + 0.5 && !scrolls(e.parentElement) && !e.closest('.hidden, .skip');
  });
  return wide.map((e) => `${e.tagName}.${e.getAttribute('class') || ''}: ${(e.textContent || '').trim().slice(0, 60)}`);
}"""
"""What reaches beyond the screen's right edge, but for what scrolls within a box of its own."""


def phone(browser: Browser, **more: Any) -> BrowserContext:
    return browser.new_context(viewport=PHONE, service_workers="block", has_touch=True, **more)


@pytest.mark.parametrize("code", languages())
def test_no_page_is_wider_than_a_phone(browser: Browser, house: Served, code: str) -> None:
    context = phone(browser, locale=code)
    page = context.new_page()
    wide = {}
    for path in PATHS:
        page.goto(house.url + path)
        assert page.locator("html").get_attribute("lang") == code
        assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"], path
        wide[path] = page.evaluate(TOO_WIDE)
    context.close()
    assert not any(wide.values()), wide


@pytest.mark.parametrize("script", [True, False])
def test_a_reader_chooses_a_language_and_it_is_remembered(browser: Browser, house: Served, script: bool) -> None:
    context = phone(browser, locale="en-US", java_script_enabled=script)
    page = context.new_page()
    page.goto(f"{house.url}/sites/larkspur/alarms")
    said_in(page, "en")
    page.get_by_role("link", name=words("es")("language.name")).click()
    assert page.url == f"{house.url}/sites/larkspur/alarms"
    said_in(page, "es")
    page.goto(f"{house.url}/")
    expect(page.locator("h1")).to_have_text(words("es")("fleet.title"))
    context.close()


@pytest.mark.parametrize("script", [True, False])
def test_a_reader_chooses_a_clock_and_the_script_keeps_it(browser: Browser, house: Served, script: bool) -> None:
    context = phone(browser, locale="en-US", java_script_enabled=script)
    page = context.new_page()
    page.goto(f"{house.url}/sites/larkspur")
    page.get_by_role("link", name="12 h").click()
    assert page.url == f"{house.url}/sites/larkspur"
    expect(page.get_by_role("navigation", name="How figures are shown").locator("b")).to_have_text(
        ["as each house", "12 h"]
    )
    expect(page.locator("#readout")).to_contain_text(re.compile(r"\b1?\d:\d\d [ap]m\b"))
    if script:
        marker = page.locator("svg.strip:visible .marker")
        before = page.locator("#readout").text_content()
        marker.press("ArrowDown")
        expect(page.locator("#readout")).not_to_have_text(before or "")
        expect(page.locator("#readout")).to_contain_text(re.compile(r"\b1?\d:\d\d [ap]m\b"))
    context.close()


def said_in(page: Page, code: str) -> None:
    expect(page.locator("html")).to_have_attribute("lang", code)
    expect(page.locator("h1").first).to_have_text(words(code)("alarms.title"))


def test_a_browser_is_answered_in_the_language_it_asks_for(browser: Browser, house: Served) -> None:
    for locale, code in (("es-MX", "es"), ("pt-BR", "en")):
        context = phone(browser, locale=locale)
        page = context.new_page()
        page.goto(f"{house.url}/sites/larkspur/alarms")
        said_in(page, code)
        context.close()
