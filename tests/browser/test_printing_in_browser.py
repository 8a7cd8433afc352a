"""What is printed to be passed on: how many pages it takes, on both usual sheets, with as much on it as may be."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from playwright.sync_api import Browser, Page

from api.process.services import Services
from forecaster.domain.alarms import AlarmTransition, TransitionKind
from forecaster.domain.records import Delivery
from forecaster.domain.runs import Gap
from forecaster.domain.times import DAY_MS, MINUTE_MS
from forecaster.texts.catalogue import languages
from tests.browser.serving import Served
from tests.scenario import NOW_MS

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
