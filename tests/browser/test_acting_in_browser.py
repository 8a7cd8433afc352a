"""What to do now stands on the first screen of a phone, and is acknowledged there, with script and without."""

from __future__ import annotations

from dataclasses import replace

import pytest
from playwright.sync_api import Browser, Page, ViewportSize, expect

from api.deliver.links import tickets
from api.deliver.outbox import trial_messages
from api.process.services import Services
from forecaster.alarms.plan import WEBHOOK
from forecaster.domain.alarms import Alarm, AlarmKind, AlarmState, AlarmTransition, TransitionKind
from forecaster.domain.runs import Outage, Supply
from forecaster.domain.site import Contact, Load
from forecaster.domain.times import DAY_MS, HOUR_MS
from forecaster.texts.catalogue import languages
from tests.api.pagesample import forecast, heard, publish, site
from tests.browser.serving import Served
from tests.browser.test_pages_in_browser import AXE, check, opened
from tests.scenario import NOW_MS

PHONE: ViewportSize = {"width": 360, "height": 640}
THUMB_PX = 44.0
"""Least side of what a thumb has to hit, as WCAG 2.2 SC 2.5.5 has it (Target Size, Enhanced) [CSS px]."""


def low_reserve(services: Services) -> Alarm:
    """A second chapter of the outage, as high as the first and raised after it."""
    lost = services.ledger.alarms("larkspur")[0]
    low = replace(
        lost, id=f"larkspur:low-reserve:{NOW_MS}", kind=AlarmKind.LOW_RESERVE, state=AlarmState.UNACKNOWLEDGED,
        raised_ms=NOW_MS - HOUR_MS, changed_ms=NOW_MS - HOUR_MS, headline="Pack running low: it lasts until 17:45.",
        action="By 17:25 CST: have a generator brought.", revision=0, translations=(),
    )  # fmt: skip
    services.ledger.commit_transitions([AlarmTransition(low, TransitionKind.RAISED, low.raised_ms)], [], [])
    return low


def taken_up(services: Services) -> None:
    """The forecaster takes up what was asked: the alarm is acknowledged."""
    _, kind, target, _, at_ms = services.ledger.requests(0)[-1]
    assert kind == "acknowledge"
    seen = services.ledger.alarm(target)
    known = replace(
        seen, state=AlarmState.ACKNOWLEDGED, acknowledged_ms=at_ms, acknowledged_by="owner",
        changed_ms=at_ms, revision=seen.revision + 1,
    )  # fmt: skip
    services.ledger.commit_transitions([AlarmTransition(known, TransitionKind.ACKNOWLEDGED, at_ms)], [], [])


@pytest.mark.parametrize("code", languages())
@pytest.mark.parametrize("tail", ["", "/alarms"])
def test_the_action_and_its_button_are_on_the_first_screen(
    browser: Browser, house: Served, code: str, tail: str
) -> None:
    known = house.services.installation.sites["larkspur"]
    house.services.installation.sites["larkspur"] = replace(
        known, loads=(Load("the chest freezer", 60.0),), contacts=(Contact("owner", email="o@example.org"),)
    )
    low_reserve(house.services)
    context = browser.new_context(viewport=PHONE, service_workers="block", has_touch=True, locale=code)
    page = context.new_page()
    page.goto(f"{house.url}/sites/larkspur{tail}")
    expect(page.locator(".act .knows")).to_have_count(1)
    for selector in (".act .does", ".act .amount", ".act button >> nth=0", ".act .knows"):
        box = page.locator(selector).bounding_box()
        assert box is not None
        assert box["y"] + box["height"] <= PHONE["height"], (selector, box)
    expect(page.locator(".act .act-head")).not_to_contain_text(known.name)
    assert page.locator(".act").get_attribute("class") == "act high"
    context.close()


def test_the_gravest_speaks_and_every_end_is_the_present_one(browser: Browser, house: Served) -> None:
    low_reserve(house.services)
    with opened(browser, f"{house.url}/sites/larkspur", width=360) as page:
        expect(page.locator(".act-head")).to_contain_text("Reserve getting low")
        said = page.locator(".say b").inner_text()
        page.locator(".alarms.short summary").first.click()
        expect(page.locator(".alarms.short .headline").first).to_contain_text(said)
        page.locator(".act summary").first.click()
        then = page.locator(".act details p", has_text="17:45")
        expect(then).to_contain_text("Told 04:06")
        shown = page.locator("main").inner_text().replace(then.inner_text(), "")
        assert "17:45" not in shown
        assert "17:25" not in shown


@pytest.mark.parametrize("tail", ["", "/alarms"])
def test_without_script_the_button_comes_back_to_the_page_and_says_so(
    browser: Browser, house: Served, tail: str
) -> None:
    with opened(browser, f"{house.url}/sites/larkspur{tail}", width=360, script=False) as page:
        page.locator(".act").get_by_role("button", name="Acknowledge").click()
        assert page.url.partition("?")[0] == f"{house.url}/sites/larkspur{tail}"
        expect(page.locator(".act").get_by_role("status")).to_contain_text("Asked.")
        taken_up(house.services)
        page.reload()
        expect(page.locator(".act").get_by_role("status")).to_contain_text("Acknowledged by owner")
        expect(page.get_by_role("button", name="Acknowledge")).to_have_count(0)


def test_without_a_connection_the_button_says_that_nothing_was_sent(browser: Browser, house: Served) -> None:
    with opened(browser, f"{house.url}/sites/larkspur", width=360) as page:
        button = page.locator(".act").get_by_role("button", name="Acknowledge")
        page.context.set_offline(True)
        button.click()
        expect(page.locator(".act").get_by_role("alert")).to_contain_text("Not sent: there is no connection.")
        expect(button).to_be_enabled()
        assert house.services.ledger.requests(0) == []
        page.context.set_offline(False)
        button.click()
        expect(page.locator(".act").get_by_role("status")).to_contain_text("Asked.")
        expect(page.locator(".act").get_by_role("alert")).to_have_count(0)


@pytest.mark.parametrize("keys", [True, False], ids=["by keys", "by hand"])
def test_with_script_it_happens_in_place_and_is_confirmed_there(browser: Browser, house: Served, keys: bool) -> None:
    with opened(browser, f"{house.url}/sites/larkspur", width=360) as page:
        page.evaluate("window.stayed = true")
        button = page.locator(".act").get_by_role("button", name="Acknowledge")
        if keys:
            button.focus()
            page.keyboard.press("Enter")
        else:
            button.click()
        status = page.locator(".act").get_by_role("status")
        expect(status).to_contain_text("Asked.")
        expect(status).to_be_focused()
        taken_up(house.services)
        expect(status).to_contain_text("Acknowledged by owner")
        assert page.evaluate("window.stayed") is True
        check(page, "acknowledged", 360, "light", AXE)


def test_what_a_thumb_has_to_hit_is_large_enough(browser: Browser, house: Served) -> None:
    low_reserve(house.services)
    with opened(browser, f"{house.url}/sites/larkspur", width=360) as page:
        assert small(page, ".top a, button, summary, select, footer .languages a") == []


def small(page: Page, selector: str) -> list[str]:
    found = page.locator(selector).evaluate_all(
        "(all, least) => all.filter(e => e.offsetHeight > 0 && e.getBoundingClientRect().height < least)"
        ".map(e => `${e.textContent.trim()} ${e.getBoundingClientRect().height}`)",
        THUMB_PX,
    )
    assert isinstance(found, list)
    return found


def answered(services: Services) -> None:
    """A test message to the hill's webhook, which answers by taking it."""
    known = replace(services.installation.sites["hill"], contacts=(Contact("hub", webhook="http://127.0.0.1:9/hook"),))
    services.installation.sites["hill"] = known
    code = tickets(services.installation, services.ledger).code
    owed = trial_messages(known, services.ledger, frozenset({WEBHOOK}), NOW_MS, code)
    services.ledger.commit_transitions([], owed, [])
    for item in owed:
        services.ledger.settle(replace(item, attempts=1, done_ms=NOW_MS))


def test_on_mains_the_house_is_ready_or_it_says_what_is_not(browser: Browser, house: Served) -> None:
    held = house.services
    held.installation.sites["hill"] = site("hill", "Hill House, east pit")
    heard(held, "hill")
    publish(held, forecast("hill", supply=Supply.MAINS, middle_h=22.0))
    with opened(browser, f"{house.url}/sites/hill", width=360) as page:
        expect(page.locator(".act")).to_contain_text("Not ready: Nobody can be told of this site")
        held.ledger.record([Outage("hill", NOW_MS - DAY_MS, NOW_MS - DAY_MS + HOUR_MS, False)])
        publish(held, replace(forecast("hill", supply=Supply.MAINS, middle_h=22.0), charge_percent=99.0))
        answered(held)
        page.reload()
        expect(page.locator(".act")).to_contain_text("Ready for at least 18 h; nothing to do.")  # 0.8 of 22 h
