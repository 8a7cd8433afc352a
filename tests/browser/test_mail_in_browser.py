"""The button of a mail, pressed in a real browser: from a mail program of another origin to the ledger."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest
from playwright.sync_api import Browser

from api.deliver.links import LIFE_MS, Ticket, tickets
from forecaster.domain.alarms import AlarmState
from forecaster.domain.records import Delivery
from tests.api.delivering import queue, told
from tests.browser.serving import Served
from tests.forecaster.evidence import LARKSPUR


def link(house: Served, alarm_id: str, way: str) -> str:
    ticket = Ticket(alarm_id, "owner", house.services.clock.now_ms() + LIFE_MS)
    return f"{house.url}/{way}/{tickets(house.services.installation, house.services.ledger).token(ticket)}"


def mail_with(link: str, folder: Path) -> str:
    """A mail as a browser shows it: a file, and so of an origin that is nobody's."""
    file = folder / "mail.html"
    file.write_text(f'<!doctype html><title>mail</title><a href="{link}">button</a>', encoding="utf-8")
    return file.as_uri()


@pytest.mark.parametrize("hidden", [False, True])
def test_i_have_seen_this_is_pressed_in_a_mail(browser: Browser, house: Served, tmp_path: Path, hidden: bool) -> None:
    """With `hidden` the browser keeps its address to itself, as private windows and add-ons do: `Origin: null`."""
    now = house.services.clock.now_ms()
    standing = replace(told(), alarm=replace(told().alarm, raised_ms=now, state=AlarmState.UNACKNOWLEDGED), at_ms=now)
    queue(house.services.ledger, LARKSPUR, [standing], now, "mail")
    page = browser.new_page()
    if hidden:
        page.add_init_script(
            "addEventListener('DOMContentLoaded', () => document.head.insertAdjacentHTML('beforeend',"
            '\'<meta name="referrer" content="no-referrer">\'))'
        )
    origins: list[str | None] = []
    page.on("request", lambda request: origins.append(request.all_headers().get("origin")))
    page.goto(mail_with(link(house, standing.alarm.id, "acknowledge"), tmp_path))
    page.get_by_role("link", name="button").click()
    page.get_by_role("button", name="I have seen this").click()
    page.get_by_text("Reminders of this alarm stop now").wait_for()
    page.close()
    assert ("null" in origins) is hidden
    [(_, kind, target, body, _)] = house.services.ledger.requests(0)[-1:]
    assert (kind, target, json.loads(body)) == ("acknowledge", standing.alarm.id, {"by": "owner"})


def test_a_test_message_is_answered_by_its_link(browser: Browser, house: Served, tmp_path: Path) -> None:
    now, ledger = house.services.clock.now_ms(), house.services.ledger
    test = f"larkspur:test:{now}"
    sent = Delivery("k", "mail", "owner@example.org", "larkspur", "{}", now, now, now + 1, who="owner", alarm_id=test)
    ledger.commit_transitions([], [sent], [])
    ledger.settle(replace(sent, done_ms=now))
    page = browser.new_page()
    page.goto(mail_with(link(house, test, "answer"), tmp_path))
    page.get_by_role("link", name="button").click()
    assert ledger.notices([test])[0].answered_ms is None
    page.get_by_role("button", name="It has reached me").click()
    page.get_by_text("Thank you").wait_for()
    page.close()
    assert ledger.notices([test])[0].answered_ms is not None


def test_every_form_works_where_the_browser_hides_its_address(browser: Browser, house: Served) -> None:
    """The kind of fault: a policy, an add-on or a private window makes every form post `Origin: null`."""
    page = browser.new_page()
    page.add_init_script(
        "addEventListener('DOMContentLoaded', () => document.head.insertAdjacentHTML('beforeend',"
        '\'<meta name="referrer" content="no-referrer">\'))'
    )
    posted = 0
    for path in ("/sites/larkspur", "/sites/larkspur/alarms", "/sites/larkspur/discharge", "/setup"):
        page.goto(house.url + path)
        for number in range(page.locator("form[method=post]").count()):
            page.goto(house.url + path)
            form = page.locator("form[method=post]").nth(number)
            answer = page.expect_response(lambda answer: answer.request.method == "POST")
            with page.expect_navigation(), answer as answered:
                form.evaluate("form => HTMLFormElement.prototype.submit.call(form)")
            assert answered.value.request.all_headers()["origin"] == "null"
            assert answered.value.status != 403, f"{path} {form}"
            posted += 1
    page.close()
    assert posted >= 3
