"""The list of all sites lives: who needs somebody first, ages that tick, a failure that shows at once, few bytes."""

from __future__ import annotations

import logging
import re
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import msgspec
import pytest
from playwright.sync_api import Browser, Page, expect

from api.http.publisher import StreamPublisher
from api.process.services import Services
from forecaster.domain.alarms import Alarm, AlarmKind, AlarmState, AlarmTransition, Priority, TransitionKind
from forecaster.domain.forecast import Basis, Forecast
from forecaster.domain.records import StoredForecast
from forecaster.domain.runs import Supply
from forecaster.domain.site import Contact
from forecaster.engine.document import document
from forecaster.texts.catalogue import languages
from tests.api.pagesample import forecast, publish, site
from tests.browser.serving import Served, serving
from tests.browser.test_languages_in_browser import TOO_WIDE
from tests.browser.test_pages_in_browser import LOOKS, check, opened
from tests.browser.waiting import wait_in
from tests.scenario import NOW_MS, services

log = logging.getLogger(__name__)

LONG_NAME = "Upper Larkspur Lane, second cellar of the mill,"[:46]
MOST_BYTES = 150_000
"""First view of a fleet of 1,000 over the wire, as was asked for."""
HOOK = Contact("neighbour", webhook="http://127.0.0.1:9/hook")


def alarm(site_id: str, kind: AlarmKind, priority: Priority, state: AlarmState = AlarmState.UNACKNOWLEDGED) -> Alarm:
    over = state is AlarmState.RETURNED_UNACKNOWLEDGED
    return Alarm(
        id=f"{site_id}:{kind}:{NOW_MS}", site=site_id, kind=kind, priority=priority, state=state, episode=NOW_MS,
        raised_ms=NOW_MS, changed_ms=NOW_MS, headline="Told then.", action="Now: look at it.", consequence="",
        cleared_ms=NOW_MS if over else None, acknowledged_ms=NOW_MS if state is AlarmState.ACKNOWLEDGED else None,
    )  # fmt: skip


def rise(held: Services, risen: Alarm) -> AlarmTransition:
    change = AlarmTransition(risen, TransitionKind.RAISED, NOW_MS)
    held.ledger.commit_transitions([change], [], [])
    return change


def ended(held: Services, gone: Alarm) -> AlarmTransition:
    change = AlarmTransition(replace(gone, revision=1), TransitionKind.CLEARED, NOW_MS + 1)
    held.ledger.commit_transitions([change], [], [])
    return change


def fleet(folder: Path, count: int, *, told: bool = True) -> Services:
    """Sites at rest, but for: s0 with a low reserve, s1 back on mains, s2 silent, s3 on the pack and taken."""
    names = {0: LONG_NAME, 1: "Mill Row", 2: "Quay Cottage", 3: "Brook Street"}
    contacts = (HOOK,) if told else ()
    sites = {
        f"s{n}": replace(
            site(f"s{n}", names.get(n, f"Cellar {n}")), contacts=contacts, groups=("north",) if n % 2 else ("south",)
        )
        for n in range(count)
    }
    held = services(folder, sites)
    rest = [at_rest(site_id) for site_id in sites]
    held.ledger.publish([StoredForecast(made.site, made.issued_at_ms, text_of(made)) for made in rest])
    publish(held, replace(forecast("s0", middle_h=5.0), issued_at_ms=NOW_MS + 1))
    publish(held, replace(at_rest("s2"), basis=Basis.PROJECTED, issued_at_ms=NOW_MS + 1, data_age_s=4000.0))
    publish(held, replace(forecast("s3", middle_h=9.0), issued_at_ms=NOW_MS + 1))
    rise(held, alarm("s0", AlarmKind.LOW_RESERVE, Priority.HIGH))
    rise(held, alarm("s1", AlarmKind.MAINS_LOST, Priority.HIGH, AlarmState.RETURNED_UNACKNOWLEDGED))
    rise(held, alarm("s3", AlarmKind.MAINS_LOST, Priority.HIGH, AlarmState.ACKNOWLEDGED))
    return held


def at_rest(site_id: str) -> Forecast:
    return forecast(site_id, supply=Supply.MAINS, middle_h=22.0)


@pytest.fixture
def thousand(tmp_path: Path) -> Iterator[Served]:
    held = fleet(tmp_path, 1000)
    with serving(held) as served:
        yield served
    held.close()


@pytest.fixture
def forty(tmp_path: Path) -> Iterator[Served]:
    held = fleet(tmp_path, 41)
    with serving(held) as served:
        yield served
    held.close()


def first_row(page: Page, nth: int = 0) -> str:
    return page.locator("table.fleet tbody tr").nth(nth).inner_text()


def test_who_needs_somebody_stands_first_with_what_to_do_and_who_knows(browser: Browser, forty: Served) -> None:
    with opened(browser, forty.url) as page:
        expect(page.locator(".counts")).to_have_text("1 needs you, 1 in hand, 1 silent, 38 well")
        names = page.locator("table.fleet th[scope=row] a").all_inner_texts()
        assert names[:4] == [LONG_NAME, "Brook Street", "Quay Cottage", "Cellar 10"]
        row = page.locator("table.fleet tbody tr").first
        expect(row).to_contain_text("HIGH", ignore_case=True)
        expect(row).to_contain_text("have a generator or charged pack brought")
        expect(row).to_contain_text("Nobody has been told yet.")
        back = page.locator("tr", has_text="Mill Row")
        expect(back).to_contain_text("Mains lost is over, not acknowledged")
        expect(back.locator(".mark")).to_have_count(0)


@pytest.mark.parametrize("script", [True, False])
def test_search_filter_and_group_are_kept_in_the_address(browser: Browser, forty: Served, script: bool) -> None:
    with opened(browser, forty.url, width=360, script=script) as page:
        page.get_by_label("Group").select_option("north")
        page.get_by_label("Find a site").fill("cellar")
        if not script:
            page.get_by_role("button", name="Find").click()
        expect(page.locator("table.fleet tbody tr")).to_have_count(18)  # the odd ones of 4 to 40
        assert "group=north" in page.url
        assert "q=cellar" in page.url
        page.reload()
        expect(page.get_by_label("Group")).to_have_value("north")
        expect(page.locator("table.fleet tbody tr")).to_have_count(18)


@pytest.mark.parametrize("code", languages())
def test_a_name_of_46_letters_widens_nothing_and_a_row_stays_short(browser: Browser, forty: Served, code: str) -> None:
    context = browser.new_context(viewport={"width": 360, "height": 780}, service_workers="block", locale=code)
    page = context.new_page()
    page.goto(forty.url)
    assert page.evaluate("document.documentElement.scrollWidth") <= 360
    assert page.evaluate(TOO_WIDE) == []
    page.set_viewport_size({"width": 1280, "height": 800})
    tall = page.locator("table.fleet tbody tr").evaluate_all("rows => rows.map(row => row.offsetHeight)")
    assert max(tall) <= 7 * 25.5  # lines of 1.0625rem at 1.5
    context.close()


def test_the_list_passes_axe_in_every_look(browser: Browser, forty: Served) -> None:
    with opened(browser, forty.url, width=360) as page:
        for width, scheme, rules in LOOKS:
            check(page, "/", width, scheme, rules)


def test_that_nobody_can_be_told_is_said_once_with_the_houses(browser: Browser, tmp_path: Path) -> None:
    held = fleet(tmp_path, 8, told=False)
    with serving(held) as served, opened(browser, served.url) as page:
        warnings = page.locator(".warning")
        expect(warnings).to_have_count(1)
        expect(warnings).to_contain_text("Nobody can be told of 8 sites")
        expect(warnings).to_contain_text("Mill Row")
        page.goto(f"{served.url}/?show=untold")
        expect(page.locator("table.fleet tbody tr")).to_have_count(8)
    held.close()


def test_the_list_is_there_offline_after_one_visit_with_its_age(browser: Browser, forty: Served) -> None:
    with opened(browser, f"{forty.url}/", width=360, workers=True) as page:
        kept = "caches.open('outlast-2').then(c => c.keys()).then(all => all.map(r => new URL(r.url).pathname))"
        state = "navigator.serviceWorker.controller?.state"
        wait_in(page, lambda: "/" in page.evaluate(kept) and page.evaluate(state) == "activated")
        page.context.set_offline(True)
        page.reload()
        expect(page.locator("table.fleet tbody tr").first).to_contain_text("Upper Larkspur Lane")
        expect(page.locator("#offline")).to_contain_text("No connection. This was drawn")
        page.goto(f"{forty.url}/?show=need")
        expect(page.locator("table.fleet tbody tr").first).to_be_visible()


def test_ages_tick_and_a_lost_connection_is_said(browser: Browser, forty: Served) -> None:
    with opened(browser, forty.url) as page:
        expect(page.locator("#offline")).to_be_hidden()
        age = page.locator("table.fleet td.heard").first
        before = age.inner_text()
        expect(age).not_to_have_text(before)
        page.context.set_offline(True)
        page.evaluate("document.dispatchEvent(new Event('visibilitychange'))")
        expect(page.locator("#offline")).to_contain_text("No connection. This was drawn")
        page.context.set_offline(False)
        page.evaluate("document.dispatchEvent(new Event('visibilitychange'))")
        expect(page.locator("#offline")).to_be_hidden(timeout=30_000)


def test_a_thousand_follow_a_mains_failure_and_its_end(browser: Browser, thousand: Served) -> None:
    """Told as the forecaster tells it: the ledger first, then the stream. The row follows on the page as it stands."""
    held = thousand.services
    told = StreamPublisher(held.hub)
    with opened(browser, thousand.url) as page:
        expect(page.locator(".counts")).to_contain_text("1 needs you")
        expect(page.locator("table.fleet tbody tr")).to_have_count(100)
        drawn_anew(page, thousand)
        page.evaluate("window.staying = true")
        row = page.locator("table.fleet tbody tr").first
        lost = replace(forecast("s777", middle_h=2.0), issued_at_ms=NOW_MS + 2)
        begun = time.monotonic()
        publish(held, lost)
        change = rise(held, alarm("s777", AlarmKind.CRITICAL_RESERVE, Priority.CRITICAL))
        told.forecast(StoredForecast("s777", lost.issued_at_ms, text_of(lost)))
        told.alarm(change)
        expect(row).to_contain_text("Cellar 777", timeout=60_000)
        log.info("the row of one in a thousand has followed after %.2f s", time.monotonic() - begun)
        expect(page.locator(".counts")).to_contain_text("2 need you")
        assert "on-pack" in (row.get_attribute("class") or "")
        back = replace(at_rest("s777"), issued_at_ms=NOW_MS + 3)
        over = ended(
            held, alarm("s777", AlarmKind.CRITICAL_RESERVE, Priority.CRITICAL, AlarmState.RETURNED_UNACKNOWLEDGED)
        )
        publish(held, back)
        told.forecast(StoredForecast("s777", back.issued_at_ms, text_of(back)))
        told.alarm(over)
        expect(page.locator(".counts")).to_contain_text("1 needs you", timeout=60_000)
        expect(row).not_to_contain_text("Cellar 777")
        assert page.evaluate("window.staying")


def drawn_anew(page: Page, served: Served) -> None:
    """The page listens, and has drawn its rows once more since."""
    wait_in(page, lambda: served.services.hub.clients > 0 and "/fleet/now" in [path for path, _ in served.sent.answers])


def text_of(made: Forecast) -> str:
    return msgspec.json.encode(document(made)).decode()


def test_the_first_view_of_a_thousand_is_light(browser: Browser, thousand: Served) -> None:
    with opened(browser, thousand.url) as page:
        expect(page.locator("table.fleet tbody tr")).to_have_count(100)
        drawn_anew(page, thousand)
        expect(page.get_by_role("navigation", name=re.compile("Page 1 of 10"))).to_be_visible()
    total = thousand.sent.total
    assert total <= MOST_BYTES, sorted(thousand.sent.answers, key=lambda answer: -answer[1])[:8]
