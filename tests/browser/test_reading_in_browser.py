"""What is read on a page is whole: no heading without its words, no row that a box cuts off, grey where it is over."""

from __future__ import annotations

from dataclasses import replace

import pytest
from playwright.sync_api import Browser, expect

from forecaster.domain.alarms import AlarmState, AlarmTransition, TransitionKind
from tests.api.pagesample import raise_alarm
from tests.browser.serving import Served
from tests.browser.test_pages_in_browser import opened
from tests.scenario import NOW_MS

HEADED_NOTHING = "cells => cells.filter(c => c.offsetHeight > 0 && c.textContent.trim() === '').length"
CUT = "boxes => boxes.filter(b => b.offsetHeight > 0 && b.scrollHeight > b.clientHeight + 1).length"
TABLES = ("leaving", "telemetry", "outages")


@pytest.mark.parametrize("tail", TABLES)
def test_a_row_is_neither_headed_without_words_nor_cut_off(browser: Browser, house: Served, tail: str) -> None:
    url = f"{house.url}/sites/larkspur/{tail}"
    with opened(browser, url, width=360) as page:
        expect(page.locator("table.stacked td").first).to_be_visible()
        assert page.locator("table.stacked td").evaluate_all(HEADED_NOTHING) == 0
    with opened(browser, url, width=1280) as page:
        assert page.locator("main > div").evaluate_all(CUT) == 0


@pytest.mark.parametrize("width", [360, 1280])
def test_the_code_of_a_test_message_stands_apart_from_its_sending(browser: Browser, house: Served, width: int) -> None:
    with opened(browser, f"{house.url}/sites/larkspur/leaving", width=width) as page:
        send = page.get_by_role("button", name="Send a test message").bounding_box()
        label = page.locator("label", has=page.locator("input[name=code]")).bounding_box()
        assert send is not None
        assert label is not None
        assert label["y"] >= send["y"] + send["height"] + 8


def test_an_alarm_that_is_over_is_grey_and_threatens_nothing(browser: Browser, house: Served) -> None:
    alarm = raise_alarm(house.services)
    for open_one in house.services.ledger.alarms("larkspur", (AlarmState.UNACKNOWLEDGED,), 10):
        over = replace(open_one, state=AlarmState.RETURNED_UNACKNOWLEDGED, cleared_ms=NOW_MS)
        house.services.ledger.commit_transitions([AlarmTransition(over, TransitionKind.CLEARED, NOW_MS)], [], [])
    with opened(browser, f"{house.url}/sites/larkspur/alarms", width=360) as page:
        card = page.locator("li.alarm", has_text=alarm.headline)
        grey = "e => getComputedStyle(e).borderLeftColor + getComputedStyle(e.querySelector('.priority')).color"
        plain = page.evaluate(
            """() => { const e = document.body.appendChild(document.createElement('p'));
            e.style.color = 'var(--line)'; const line = getComputedStyle(e).color;
            e.style.color = 'var(--soft)'; return line + getComputedStyle(e).color; }"""
        )
        assert card.evaluate(grey) == plain
        expect(card).not_to_contain_text("Otherwise")
