"""What is printed to be passed on: how many pages it takes, on both usual sheets, with as much on it as may be."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, expect

from api.http.keyring import new_token
from api.process.services import Services
from collector.config.settings import Http
from forecaster.domain.alarms import AlarmTransition, TransitionKind
from forecaster.domain.records import Delivery
from forecaster.domain.runs import Gap
from forecaster.domain.site import Contact
from forecaster.domain.times import DAY_MS, MINUTE_MS
from forecaster.texts.catalogue import languages, words
from forecaster.twin.live import larkspur_site
from tests.api.serving import described, write_outage
from tests.browser.serving import Served, serving
from tests.browser.test_pages_in_browser import AXE
from tests.scenario import NOW_MS, services

SHEETS = ("A4", "Letter")
PAGE = re.compile(rb"/Type\s*/Page[^s]")
"""The object of one page in a PDF (ISO 32000-1, 7.7.3.3)."""


def pages_of(page: Page, sheet: str) -> int:
    """How many sheets a page prints on."""
    return len(PAGE.findall(page.pdf(format=sheet)))


def crowd(services: Services) -> None:
    """As much as a bad night brings: thirty people of long names, twelve changes, gaps in every channel."""
    alarm = services.ledger.alarms("larkspur")[0]
    messages = [
        Delivery(
            f"{alarm.id}:{n}", "webhook", "them@example.org", "larkspur", "{}", alarm.raised_ms, alarm.raised_ms,
            NOW_MS + DAY_MS, attempts=1, done_ms=alarm.raised_ms + n * MINUTE_MS,
            who=f"The people of number {n}, across the lane and up the hill", alarm_id=alarm.id,
        )
        for n in range(30)
    ]  # fmt: skip
    changes = [
        AlarmTransition(
            replace(alarm, acknowledged_ms=alarm.raised_ms, acknowledged_by="Whoever lives there", revision=50 + n),
            TransitionKind.ACKNOWLEDGED, alarm.raised_ms + n * MINUTE_MS,
        )
        for n in range(12)
    ]  # fmt: skip
    services.ledger.commit_transitions(changes, messages, [])
    start_ms = services.ledger.outages("larkspur")[0].start_ms
    services.ledger.record(
        Gap("larkspur", channel.quantity, start_ms + n * 20 * MINUTE_MS, start_ms + (n * 20 + 6) * MINUTE_MS)
        for channel in services.installation.sites["larkspur"].channels
        for n in range(8)
    )


@pytest.mark.parametrize("code", languages())
def test_the_report_of_an_outage_prints_on_two_pages(browser: Browser, house: Served, code: str) -> None:
    crowd(house.services)
    context = browser.new_context(locale=code, service_workers="block")
    page = context.new_page()
    page.goto(f"{house.url}/sites/larkspur/outages/latest/report")
    found = {sheet: pages_of(page, sheet) for sheet in SHEETS}
    context.close()
    assert found == dict.fromkeys(SHEETS, 2)


@pytest.mark.parametrize(
    ("path", "seen"),
    [
        ("/sites/larkspur/outages", "th[scope=row] a"),
        ("/sites/larkspur/edit/limits", "[name='alarms.low_reserve_h']"),
        ("/sizing", "main label input"), ("/setup", "[name=name]"),
    ],
)  # fmt: skip
def test_what_is_written_in_a_form_is_on_paper_and_its_buttons_are_not(
    browser: Browser, house: Served, path: str, seen: str
) -> None:
    described(house.services.installation.folder)
    page = browser.new_context(service_workers="block").new_page()
    page.goto(house.url + path)
    page.emulate_media(media="print")
    expect(page.locator(seen).first).to_be_visible()
    assert page.locator("main button:visible").count() == 0
    page.goto(f"{house.url}/sites/larkspur/trip")
    assert page.locator("main form:visible").count() == 0
    page.context.close()


@pytest.fixture
def outside(tmp_path: Path) -> Iterator[Served]:
    """Larkspur Lane behind a login, with as many people as a sheet has room for."""
    write_outage(tmp_path)
    people = tuple(Contact(f"Cousin number {n} of the owner, next street", phone=f"+1 555 010{n}") for n in range(6))
    held = services(tmp_path, {"larkspur": replace(larkspur_site(), contacts=people)}, http=Http(host="0.0.0.0"))
    with serving(held) as served:
        held.installation = replace(
            held.installation, http=Http(host="0.0.0.0", public_url=served.url), folder=held.installation.folder
        )
        yield served
    held.close()


@pytest.mark.parametrize("code", languages())
def test_a_sheet_prints_on_one_page_and_its_link_leaves_no_trace(browser: Browser, outside: Served, code: str) -> None:
    """The code is neither sent in an address nor left in the browser's; typed without a script it opens the same."""
    owner = new_token(outside.services.ledger, outside.services.clock, "owner", "operate", None)[1]
    context = browser.new_context(locale=code, service_workers="block", extra_http_headers={})
    page = context.new_page()
    page.goto(f"{outside.url}/login")
    page.locator("input[name=token]").fill(owner)
    page.locator("main button").click()
    page.goto(f"{outside.url}/sites/larkspur/sheet")
    page.locator("textarea").fill("\n".join(["Left of the door, behind it, up."] * 8))
    page.locator("input[name=who]").fill("Rosa")
    page.get_by_role("button", name=words(code)("sheet.make")).click()
    link = page.locator("a[rel=noreferrer]").get_attribute("href")
    assert {sheet: pages_of(page, sheet) for sheet in SHEETS} == dict.fromkeys(SHEETS, 1)
    assert Axe().run(page, options=AXE).response["violations"] == []
    context.close()
    assert link is not None
    asked: list[str] = []
    for script in (True, False):
        context = browser.new_context(locale=code, service_workers="block", java_script_enabled=script)
        page = context.new_page()
        page.on("request", lambda request: asked.append(f"{request.url} {request.headers.get('referer')}"))
        page.goto(link)
        if not script:
            page.locator("#code").fill(link.partition("#")[2])
            page.locator("main button").click()
        expect(page.locator(".say")).to_be_visible()
        assert page.url == f"{outside.url}/sites/larkspur"
        page.go_back()
        assert link.partition("#")[2] not in page.url or not script
        context.close()
    secret = link.partition("#")[2]
    assert not [line for line in asked if secret in line.replace(link, "")]
