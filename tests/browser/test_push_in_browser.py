"""\"Tell me here\": the page's script from the button to the outbox, and the message opened as the browser would.

A browser's own push service is not reached from a test: `PushManager` alone is replaced, by one whose subscription
leads to a local push service, with keys that a browser would make.
"""

from __future__ import annotations

import json
from dataclasses import replace

import pytest
from playwright.sync_api import Browser, Page, expect

from api.deliver.push import PushCarrier, keys_of
from forecaster.domain.ports import Clock
from tests.api.deliver.test_courier_push import Browser as Keys
from tests.api.deliver.test_courier_push import b64, raw_point
from tests.api.delivering import Receiver, courier, listening
from tests.api.pagesample import site
from tests.browser.serving import Served
from tests.browser.test_pages_in_browser import opened

PUSH_MANAGER = """
const given = %s;
const held = () => localStorage.getItem("test-held") ? subscription : null;
const subscription = {
  toJSON: () => given,
  unsubscribe: async () => { localStorage.removeItem("test-held"); return true; },
};
PushManager.prototype.getSubscription = async () => held();
PushManager.prototype.subscribe = async (options) => {
  if (localStorage.getItem("test-denied")) throw new DOMException("no", "NotAllowedError");
  if (options.applicationServerKey.length !== 65 || options.userVisibleOnly !== true) throw new TypeError("key");
  localStorage.setItem("test-held", "yes");
  return subscription;
};
"""


def armed(page: Page, keys: Keys, endpoint: str, url: str) -> None:
    """Open a site's page with a push manager that leads to a local push service."""
    given = {"endpoint": endpoint, "keys": {"p256dh": b64(raw_point(keys.key)), "auth": b64(keys.auth)}}
    page.add_init_script(PUSH_MANAGER % json.dumps(given))
    page.goto(url)


def test_this_device_is_told_from_the_button_on_and_no_longer_after_it(browser: Browser, house: Served) -> None:
    ledger, keys = house.services.ledger, Keys()
    push = house.services.installation.push.model_copy(update={"allow_hosts": ("127.0.0.1",)})
    house.services.installation = replace(house.services.installation, push=push)
    with listening(Receiver(answers=[201])) as service, opened(browser, "about:blank", workers=True) as page:
        armed(page, keys, service.url, f"{house.url}/sites/larkspur")
        page.get_by_role("button", name="Tell me here").click()
        expect(page.locator("#push-state")).to_have_text("This device is told of alarms from now on.")
        [kept] = ledger.subscriptions()
        assert (kept.endpoint, kept.site) == (service.url, "larkspur")
        page.get_by_role("button", name="Send a test").click()
        expect(page.locator("#push-state")).to_contain_text("A test is on its way")
        carried(house, house.services.clock)
        assert keys.open(service.heard[0].body)["title"] == "Test: Larkspur Lane cellar"
        page.get_by_role("button", name="No longer tell me here").click()
        expect(page.locator("#push-state")).to_have_text("This device is not told any more.")
        expect(page.get_by_role("button", name="Tell me here")).to_be_visible()
        assert page.evaluate("localStorage.getItem('test-held')") is None
    assert ledger.subscriptions() == []


def carried(house: Served, clock: Clock) -> None:
    """Send what the outbox owes to browsers."""
    services, settings = house.services, house.services.installation.push
    keys, contact = keys_of(services.installation, services.ledger), "mailto:owner@example.org"
    carrier = PushCarrier(keys, contact, house.services.ledger, house.url, settings.allow_hosts)
    courier(carrier, house.services.ledger, clock).turn()
    carrier.close()


def test_one_browser_is_told_of_two_sites_and_leaves_one(browser: Browser, house: Served) -> None:
    house.services.installation.sites["mill"] = replace(site("mill", "Mill Row cellar"))
    endpoint = "https://push.example.org/x"
    with opened(browser, "about:blank", workers=True) as page:
        armed(page, Keys(), endpoint, f"{house.url}/sites/larkspur")
        for key in ("larkspur", "mill"):
            page.goto(f"{house.url}/sites/{key}")
            page.get_by_role("button", name="Tell me here").click()
            expect(page.locator("#push-state")).to_have_text("This device is told of alarms from now on.")
        page.get_by_role("button", name="No longer tell me here").click()
        expect(page.locator("#push-state")).to_have_text("This device is not told any more.")
        assert page.evaluate("localStorage.getItem('test-held')") == "yes"
    assert [kept.site for kept in house.services.ledger.subscriptions()] == ["larkspur"]


@pytest.mark.parametrize(
    ("prepare", "said"),
    [
        ("localStorage.setItem('test-denied', 'yes')", "The browser does not allow it"),
        ("window.fetch = async () => new Response('', { status: 503 })", "That did not work"),
    ],
)
def test_what_hinders_is_said_and_nothing_is_kept(browser: Browser, house: Served, prepare: str, said: str) -> None:
    with opened(browser, "about:blank", workers=True) as page:
        armed(page, Keys(), "https://push.example.org/x", f"{house.url}/sites/larkspur")
        button = page.get_by_role("button", name="Tell me here")
        expect(button).to_be_visible()
        page.evaluate(prepare)
        button.click()
        expect(page.locator("#push-state")).to_contain_text(said)
        expect(button).to_be_visible()
    assert house.services.ledger.subscriptions() == []
