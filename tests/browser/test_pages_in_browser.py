"""Pages in a real browser: looks, keys, no script, offline, a stream that is cut, and nothing that axe objects to."""

from __future__ import annotations

import json
import re
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any, Literal

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, expect

from api.http.stream import StreamKind
from api.process.services import Services
from forecaster.domain.runs import Supply
from forecaster.domain.times import HOUR_MS
from tests.api.pagesample import forecast, heard, publish, runs, site
from tests.browser.serving import Served, serving
from tests.browser.waiting import wait_in
from tests.scenario import NOW_MS, HeldClock, services

PATHS = (
    "/", "/sites/larkspur", "/sites/larkspur/history", "/sites/larkspur/outages", "/sites/larkspur/alarms",
    "/sites/larkspur/telemetry", "/sites/larkspur/discharge", "/sites/larkspur/leaving", "/sites/larkspur/sizing",
    "/sites/larkspur/trip", "/sites/larkspur/outages/latest", "/sites/larkspur/outages/latest/report",
    "/setup", "/sizing", "/login", "/offline", "/sites/nowhere",
)  # fmt: skip
AXE = {"runOnly": {"type": "tag", "values": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]}}
MEANT = ("status of 404", "status of 422", "ERR_INTERNET_DISCONNECTED", "registration blocked by Playwright")
"""What the tests themselves bring about: pages not there, forms refused, a network that is cut, workers kept out."""
COLOURS = {"runOnly": {"type": "rule", "values": ["color-contrast", "link-in-text-block"]}}
Scheme = Literal["light", "dark"]
SCHEMES: tuple[Scheme, ...] = ("light", "dark")
LOOKS: tuple[tuple[int, Scheme, dict[str, Any]], ...] = (
    (360, "light", AXE), (360, "dark", COLOURS), (1280, "dark", COLOURS), (1280, "light", AXE),
)  # fmt: skip


@contextmanager
def opened(
    browser: Browser,
    url: str,
    *,
    width: int = 1280,
    scheme: Scheme = "light",
    script: bool = True,
    workers: bool = False,
    meant: tuple[str, ...] = MEANT,
) -> Iterator[Page]:
    """A page of its own; whatever it complains of in its console fails the test, but for what is meant."""
    context = browser.new_context(
        viewport={"width": width, "height": 800},
        color_scheme=scheme,
        java_script_enabled=script,
        service_workers="allow" if workers else "block",
        has_touch=width < 700,
    )
    page = context.new_page()
    complaints: list[str] = []
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.on("console", lambda said: complaints.append(said.text) if said.type in ("error", "warning") else None)
    page.goto(url)
    yield page
    context.close()
    assert [said for said in complaints if not any(one in said for one in meant)] == []


def visible_strip(page: Page) -> Any:
    return page.locator("svg.strip:visible")


@pytest.mark.parametrize("path", PATHS)
def test_a_page_passes_axe_in_every_look(browser: Browser, house: Served, path: str) -> None:
    """One load of the page, four looks: all rules at both widths by day, the colours alone again by night."""
    with opened(browser, house.url + path, width=360) as page:
        for width, scheme, rules in LOOKS:
            check(page, path, width, scheme, rules)


@pytest.mark.parametrize("known", [True, False], ids=["on mains", "nothing heard"])
def test_a_site_at_rest_and_an_unheard_one_pass_axe(browser: Browser, house: Served, known: bool) -> None:
    house.services.installation.sites["hill"] = site("hill", "Hill House, east pit")
    if known:
        publish(house.services, forecast("hill", supply=Supply.MAINS, middle_h=22.0))
    with opened(browser, f"{house.url}/sites/hill", width=360) as page:
        for width, scheme, rules in LOOKS:
            check(page, "/sites/hill", width, scheme, rules)


@pytest.mark.long
@pytest.mark.timeout(900)
@pytest.mark.parametrize("path", PATHS)
def test_a_page_passes_every_rule_of_axe_in_every_look(browser: Browser, house: Served, path: str) -> None:
    for width in (320, 360, 768, 1280):
        for scheme in SCHEMES:
            with opened(browser, house.url + path, width=width, scheme=scheme) as page:
                check(page, path, width, scheme, AXE)


def check(page: Page, path: str, width: int, scheme: Scheme, rules: dict[str, Any]) -> None:
    """WCAG 2.2 A and AA as axe-core tests them, and no scrolling to the side (WCAG 1.4.10)."""
    page.set_viewport_size({"width": width, "height": 800})
    page.emulate_media(color_scheme=scheme)
    found = Axe().run(page, options=rules).response["violations"]
    told = [(v["id"], [n["html"][:120] for n in v["nodes"][:3]]) for v in found]
    assert told == [], (path, width, scheme)
    assert page.evaluate("document.documentElement.scrollWidth") <= width, (path, width, scheme)


@pytest.mark.parametrize("width", [360, 1280])
def test_without_script_everything_important_is_said_and_done(browser: Browser, house: Served, width: int) -> None:
    with opened(browser, f"{house.url}/sites/larkspur", width=width, script=False) as page:
        expect(page.locator(".say")).to_contain_text("On the pack since 02:12. It will carry the pump until about")
        expect(visible_strip(page)).to_have_count(1)
        page.get_by_label("When").fill("2026-03-03T12:00")
        page.get_by_role("combobox", name="What happens then").select_option("home")
        page.get_by_role("button", name="Show the chance").click()
        expect(page.locator("#readout")).to_contain_text("I am home at 12:00")
        page.get_by_role("button", name="Acknowledge").first.click()
        expect(page.get_by_role("status")).to_contain_text("Asked.")
    asked = [kind for _, kind, _, _, _ in house.services.ledger.requests(0)]
    assert asked == ["acknowledge"]


@pytest.mark.parametrize("width", [360, 1280])
def test_the_marker_moves_by_keys_and_is_read_out(browser: Browser, house: Served, width: int) -> None:
    with opened(browser, f"{house.url}/sites/larkspur", width=width) as page:
        slider = page.get_by_role("slider")
        expect(slider).to_have_count(1)
        for _ in range(60):
            page.keyboard.press("Tab")
            if slider.evaluate("node => node === document.activeElement"):
                break
        before = slider.get_attribute("aria-valuetext")
        page.keyboard.press("PageUp")
        page.keyboard.press("ArrowRight")
        after = slider.get_attribute("aria-valuetext")
        assert before != after
        assert after is not None
        name, says = after.split("? ")
        expect(page.locator("#readout")).to_have_text(f"{name}? {says} that the pump still has power then.")
        until = re.search(r"until=([^&]+)", page.url)
        assert until is not None
        server = page.request.get(page.url).text()
        assert f"{name}? {says}" in server.replace("&gt;", ">").replace("&lt;", "<")


@pytest.mark.parametrize("width", [360, 1280])
def test_the_marker_is_dragged_by_hand(browser: Browser, house: Served, width: int) -> None:
    with opened(browser, f"{house.url}/sites/larkspur", width=width) as page:
        grip = page.locator(".marker .target:visible")
        grip.scroll_into_view_if_needed()
        box = grip.bounding_box()
        assert box is not None
        x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
        before = page.locator("#readout").text_content()
        page.mouse.move(x, y)
        page.mouse.down()
        page.mouse.move(x - (0 if width == 360 else 60), y - (60 if width == 360 else 0), steps=5)
        page.mouse.up()
        assert page.locator("#readout").text_content() != before
        expect(page).to_have_url(re.compile("until="))


def test_the_skip_link_comes_first(browser: Browser, house: Served) -> None:
    with opened(browser, f"{house.url}/sites/larkspur") as page:
        page.keyboard.press("Tab")
        expect(page.locator(":focus")).to_have_text("Skip to the content")
        page.keyboard.press("Enter")
        expect(page.locator("main")).to_be_focused()


def test_history_reads_out_values_under_the_pointer_and_by_keys(browser: Browser, house: Served) -> None:
    with opened(browser, f"{house.url}/sites/larkspur/history") as page:
        figure = page.locator("figure.hover").first
        picture = figure.locator("svg:visible")
        picture.hover(position={"x": 700, "y": 60})
        expect(figure.locator("output")).to_contain_text("Charge")
        said = figure.locator("output").text_content()
        picture.focus()
        page.keyboard.press("ArrowLeft")
        expect(figure.locator("output")).not_to_have_text(said or "")


def test_news_from_the_stream_are_drawn(browser: Browser, house: Served) -> None:
    with opened(browser, f"{house.url}/sites/larkspur") as page:
        expect(page.locator(".say")).to_contain_text("On the pack")
        back = replace(forecast(supply=Supply.MAINS), issued_at_ms=NOW_MS + 1)
        publish(house.services, back)
        house.services.hub.publish(StreamKind.FORECAST, "larkspur", "{}")
        expect(page.locator(".say")).to_contain_text("On mains")


def test_a_cut_stream_is_said_and_mends_by_itself(browser: Browser, house: Served) -> None:
    with opened(browser, f"{house.url}/sites/larkspur") as page:
        expect(page.locator("#offline")).to_be_hidden()
        page.wait_for_timeout(500)
        page.context.set_offline(True)
        page.evaluate("document.dispatchEvent(new Event('visibilitychange'))")
        expect(page.locator("#offline")).to_be_visible(timeout=15_000)
        expect(page.locator("#offline")).to_contain_text("No connection. This was drawn")
        page.context.set_offline(False)
        page.evaluate("document.dispatchEvent(new Event('visibilitychange'))")
        expect(page.locator("#offline")).to_be_hidden(timeout=15_000)


def test_the_app_opens_offline_with_the_last_state_and_its_age(browser: Browser, house: Served) -> None:
    with opened(browser, f"{house.url}/sites/larkspur", width=360, workers=True) as page:
        page.evaluate("navigator.serviceWorker.ready.then(() => true)")
        page.wait_for_function("navigator.serviceWorker.controller !== null")
        page.reload()
        said = page.locator(".say").text_content()
        page.context.set_offline(True)
        page.reload()
        expect(page.locator(".say")).to_have_text(said or "")
        expect(page.locator("#offline")).to_contain_text("No connection. This was drawn")
        expect(page.locator("#age")).to_contain_text("heard")
        page.goto(f"{house.url}/sites/larkspur/alarms")
        expect(page.locator("#alarm-cards")).to_contain_text("Mains lost")
        expect(page.locator("#offline")).to_contain_text("No connection. This was drawn")
        page.goto(f"{house.url}/sites/larkspur/history")
        expect(page.get_by_role("heading", level=1)).to_have_text("No connection")


def test_the_first_visit_is_kept_for_offline_too(browser: Browser, house: Served) -> None:
    """What was opened before the worker was there, and the site's alarms, which were never opened."""
    with opened(browser, f"{house.url}/sites/larkspur", width=360, workers=True) as page:
        kept = "caches.open('outlast-2').then(c => c.keys()).then(all => all.map(r => new URL(r.url).pathname))"
        wait_in(page, lambda: "/sites/larkspur/alarms" in page.evaluate(kept))
        page.context.set_offline(True)
        page.goto(f"{house.url}/sites/larkspur/alarms")
        expect(page.locator("#alarm-cards")).to_contain_text("Mains lost")
        page.goto(f"{house.url}/sites/larkspur")
        expect(page.locator(".say")).to_contain_text("On the pack")


def test_a_pushed_alarm_is_shown_by_the_worker(browser: Browser, house: Served) -> None:
    """Delivered through the browser's debugging protocol (ServiceWorker.deliverPushMessage)."""
    with opened(browser, f"{house.url}/sites/larkspur", workers=True) as page:
        page.context.grant_permissions(["notifications"], origin=house.url)
        page.evaluate("navigator.serviceWorker.ready.then(() => true)")
        talk = page.context.new_cdp_session(page)
        registrations: list[str] = []
        talk.on(
            "ServiceWorker.workerRegistrationUpdated",
            lambda told: registrations.extend(r["registrationId"] for r in told["registrations"]),
        )
        talk.send("ServiceWorker.enable")
        wait_in(page, lambda: bool(registrations))
        told = {"title": "High: Mains lost", "body": "Until 13:40.", "tag": "t", "url": "/sites/larkspur"}
        data = json.dumps(told)
        message = {"origin": house.url, "registrationId": registrations[-1], "data": data}
        talk.send("ServiceWorker.deliverPushMessage", message)
        shown = (
            "navigator.serviceWorker.ready.then(r => r.getNotifications()).then(all => all.map(n => [n.title, n.body]))"
        )
        wait_in(page, lambda: bool(page.evaluate(shown)))
        assert page.evaluate(shown) == [["High: Mains lost", "Until 13:40."]]


def test_the_first_view_is_light(browser: Browser, house: Served) -> None:
    """At most 60 kB over the wire, every request counted, the worker's too, which keeps page and alarms for offline."""
    with opened(browser, f"{house.url}/sites/larkspur", workers=True) as page:
        page.evaluate("navigator.serviceWorker.ready.then(() => true)")
        page.wait_for_timeout(800)
    assert house.sent.total <= 60_000, sorted(house.sent.answers, key=lambda answer: -answer[1])[:8]


def left_open(browser: Browser, house: Served, minutes: int) -> tuple[dict[str, float], dict[str, float]]:
    """Counts after a tenth of the time and at its end, of a page left open with its clock running fast."""
    with opened(browser, "about:blank") as page:
        page.clock.install()
        page.goto(f"{house.url}/sites/larkspur")
        talk = page.context.new_cdp_session(page)
        talk.send("Performance.enable")
        page.evaluate("window.drawn = 0; document.addEventListener('redrawn', () => { window.drawn += 1; })")
        early: dict[str, float] = {}
        for minute in range(minutes):
            before = page.evaluate("window.drawn")
            with page.expect_response(re.compile(r"/now\?"), timeout=180_000):
                page.clock.run_for(60_000)  # the page looks once a minute: exactly one look in each
            deadline = time.monotonic() + 180.0
            while page.evaluate("window.drawn") == before:
                assert time.monotonic() < deadline, "what was fetched was not drawn"
            if minute == max(2, minutes // 10):
                early = counted(talk)
        return early, counted(talk)


def counted(talk: Any) -> dict[str, float]:
    for _ in range(3):
        talk.send("HeapProfiler.collectGarbage")
    metrics = {m["name"]: m["value"] for m in talk.send("Performance.getMetrics")["metrics"]}
    return {name: metrics[name] for name in ("Nodes", "JSEventListeners", "Documents", "JSHeapUsedSize")}


@pytest.mark.timeout(3600)
def test_a_page_left_open_for_six_hours_does_not_grow(browser: Browser, house: Served) -> None:
    grown(*left_open(browser, house, 360))


def grown(early: dict[str, float], late: dict[str, float]) -> None:
    assert late["Nodes"] <= early["Nodes"] * 1.1
    assert late["JSEventListeners"] <= early["JSEventListeners"] * 1.1
    assert late["Documents"] <= early["Documents"] + 1
    assert late["JSHeapUsedSize"] <= early["JSHeapUsedSize"] * 1.2


def at_the_change(folder: Path, at_ms: int) -> Services:
    """A hand-made site shortly after midnight of a day on which the clocks change."""
    held = services(folder, {"larkspur": site()}, clock=HeldClock(at_ms))
    made, shift = forecast(middle_h=10.0), at_ms - NOW_MS
    moved = tuple(replace(p, at_ms=p.at_ms + shift) for p in made.survival)
    publish(held, replace(made, issued_at_ms=at_ms, survival=moved, drain_path=(), supply_since_ms=at_ms - HOUR_MS))
    heard(held, at_ms=at_ms - 4000)
    held.ledger.record(runs(until_ms=at_ms))
    return held


@pytest.mark.parametrize("width", [360, 1280])
@pytest.mark.parametrize(
    ("after_h", "first", "second"),
    [((242 * 24 + 19), "02", "04"), ((4 * 24 + 20), "04", "06")],
    ids=["1 November, 25 hours", "8 March, 23 hours"],
)
def test_a_day_of_23_or_25_hours_is_drawn_as_long_as_it_is(
    browser: Browser, tmp_path: Path, width: int, after_h: int, first: str, second: str
) -> None:
    """From midnight to 02 are three hours when clocks go back, and from midnight to 04 are three when they go on."""
    held = at_the_change(tmp_path, NOW_MS + after_h * HOUR_MS)
    with serving(held) as served, opened(browser, f"{served.url}/sites/larkspur", width=width) as page:
        axis = "y" if width == 360 else "x"
        strip = visible_strip(page)
        midnight = strip.locator("path.day").last.evaluate(f"node => node.getBBox().{axis}")
        places = [
            float(strip.locator("text.tick").get_by_text(hour, exact=True).last.get_attribute(axis) or "nan")
            - (5.0 if axis == "y" else 0.0)
            for hour in (first, second)
        ]
        assert (places[0] - midnight) / (places[1] - places[0]) == pytest.approx(1.5, abs=0.02)
        page.get_by_role("slider").focus()
        page.keyboard.press("PageUp")
        told = page.get_by_role("slider").get_attribute("aria-valuetext") or ""
        name, says = told.split("? ")
        server = page.request.get(page.url).text().replace("&gt;", ">").replace("&lt;", "<")
        assert says in server
        assert name.split()[0] in server
    held.close()
