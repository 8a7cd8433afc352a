"""A newcomer sets up a house from nothing: one process, a real broker, a real mail server, a real browser, no file
edited. On the way they leave and come back, write a dozen wrong values, and at the end somebody answers a test message;
then they change a thing of every kind and take it back."""

from __future__ import annotations

import json
import logging
import random
import re
import threading
import time
from collections.abc import Iterator, Mapping
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path

import httpx
import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion
from playwright.sync_api import Browser, Locator, Page, expect

from api.pages.setup import described, write_site
from collector.config.site_file import load_site
from forecaster.domain.quantities import Quantity
from forecaster.texts.catalogue import words
from tests.api.deliver.test_courier_mail import Mailbox
from tests.api.deliver.test_courier_mail import serving as mail_server
from tests.api.mosquitto import Mosquitto
from tests.api.pages.test_setup_faults import TYPES, WHOLE, WRONG
from tests.browser.test_pages_in_browser import AXE, check, opened
from tests.engines import free_port, wait_until
from tests.faults.test_processes_killed import outlast
from tests.faults.test_told import mail_of

pytestmark = [
    pytest.mark.slow,
    pytest.mark.filterwarnings("ignore:unclosed:ResourceWarning"),  # aiosmtpd leaves its last connection open
]

log = logging.getLogger(__name__)

PATIENCE_MS = 120_000.0
SEED = 18
HEARD = re.compile(r"(topic|path|quantity|unit|format)0")
HOUSE: Mapping[str, str] = {
    **{key: value for key, value in WHOLE.items() if not HEARD.fullmatch(key) and key != "weather.url"},
    "pit.drawdown_m": "18 cm", "pit.diameter_m": "18 in",
}  # fmt: skip
"""What the newcomer means; what was heard on the broker is chosen on the page."""


@dataclass(frozen=True)
class Town:
    """An installation that runs: its folder, its address, and the mails that came."""

    folder: Path
    url: str
    box: Mailbox

    @property
    def file(self) -> Path:
        return self.folder / "sites" / "larkspur.toml"


class Cellar:
    """A plug and a pack that publish under names that tell nothing; the pump runs three seconds in nine."""

    def __init__(self, port: int) -> None:
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2)
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._talk, daemon=True)
        self._thread.start()

    def _talk(self) -> None:
        step = 0
        while not self._ending.wait(0.3):
            step += 1
            watts = 481.5 + step % 3 if step % 30 < 10 else 0.0
            plug = {"w": watts, "i": round(watts / 117.0, 2), "u": 121.3 + 0.1 * (step % 5), "note": "<script>"}
            self._client.publish("cellar/a", json.dumps(plug))
            self._client.publish("cellar/b", json.dumps({"soc": 93, "x": round(96.4 - 0.01 * (step // 4), 2)}))

    def close(self) -> None:
        self._ending.set()
        self._thread.join(5)
        self._client.disconnect()
        self._client.loop_stop()


@contextmanager
def running(folder: Path) -> Iterator[Town]:
    """`outlast run` on an installation without a site."""
    (folder / "sites").mkdir(parents=True)
    broker, box, port = Mosquitto(folder), Mailbox(), free_port()
    broker.start()
    try:
        with mail_server(box, folder, "none") as mail, closing(Cellar(broker.port)):
            (folder / "outlast.toml").write_text(
                f'[broker]\nurl = "mqtt://127.0.0.1:{broker.port}"\n[http]\nport = {port}\n{mail_of(mail.port)}'
            )
            with outlast("run", folder):
                town = Town(folder, f"http://127.0.0.1:{port}", box)
                wait_until(lambda: "ends it" in (folder / "run.log").read_text(), "outlast run")
                yield town
    finally:
        broker.stop()


@pytest.fixture(scope="module")
def town(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Town]:
    with running(tmp_path_factory.mktemp("town") / "house") as made:
        yield made


def field(page: Page, name: str) -> Locator:
    return page.locator(f"[name='{name}']")


def fill(page: Page, name: str, value: str) -> None:
    place = field(page, name)
    behind = place.locator("xpath=ancestor::details[not(@open)]")
    while behind.count():
        behind.first.locator("summary").click()
    if place.evaluate("place => place.tagName") == "SELECT":
        place.select_option(value)
    else:
        place.fill(value)


def line_of(page: Page, topic: str, path: str) -> Locator:
    return page.locator(f".offer-line[data-topic='{topic}'][data-path='{path}']")


def drawn(seed: int) -> list[str]:
    """Twelve fields, each type of field among them."""
    chance = random.Random(seed)
    kinds = sorted(set(TYPES.values()))
    firsts = [chance.choice([name for name, kind in sorted(TYPES.items()) if kind == of]) for of in kinds]
    return firsts + chance.sample([name for name in sorted(TYPES) if name not in firsts], 12 - len(firsts))


def told_beside(page: Page) -> dict[str, str]:
    """By marked field what is said beside it, as long as it is seen."""
    found = {}
    for place in page.locator("[aria-invalid=true]").all():
        beside = page.locator(f"[id='{place.get_attribute('aria-describedby')}']")
        expect(beside).to_be_visible(timeout=PATIENCE_MS)
        found[place.get_attribute("name") or ""] = beside.inner_text()
    return found


@pytest.mark.timeout(900)
def test_a_newcomer_sets_up_a_house_from_nothing(browser: Browser, town: Town) -> None:
    begun = time.monotonic()
    with opened(browser, f"{town.url}/setup", width=360) as page:
        page.get_by_role("button", name="Listen").click()
        power = line_of(page, "cellar/a", "$.w")
        expect(power.locator(".hint")).to_contain_text(
            "looks like Pump power in W: so says its name", timeout=PATIENCE_MS
        )
        page.evaluate("window.staying = true")
        expect(power.locator(".hint")).to_contain_text("it steps", timeout=PATIENCE_MS)
        current = line_of(page, "cellar/a", "$.i").locator(".hint")
        expect(current).to_contain_text("a motor’s voltage", timeout=PATIENCE_MS)
        expect(line_of(page, "cellar/a", "$.u").locator(".hint")).to_contain_text(
            "as the mains’ voltage is", timeout=PATIENCE_MS
        )
        expect(line_of(page, "cellar/b", "$.x").locator(".hint")).to_contain_text("falls slowly", timeout=PATIENCE_MS)
        values = power.locator(".values").inner_text()
        expect(power.locator(".values")).not_to_have_text(values, timeout=PATIENCE_MS)
        assert page.evaluate("window.staying")  # all of it without drawing the page anew
        page.get_by_role("button", name="Fill in the suggestions").click()
        expect(power.get_by_label("Use as")).to_have_value("pump_power", timeout=PATIENCE_MS)
        expect(line_of(page, "cellar/a", "$.u").get_by_label("Use as")).to_have_value("", timeout=PATIENCE_MS)
        check(page, "/setup, heard", 360, "light", AXE)
        kept = page.expect_response(lambda answer: answer.url.endswith("/setup/keep"))
        with kept as answer:
            for name in ("name", "id", "pump.rated_voltage_v"):
                fill(page, name, HOUSE[name])
        assert answer.value.status == 204

    with opened(browser, f"{town.url}/setup", width=360) as page:  # another day
        expect(page.get_by_role("status").first).to_contain_text("You go on where you left off", timeout=PATIENCE_MS)
        expect(field(page, "name")).to_have_value(HOUSE["name"], timeout=PATIENCE_MS)
        expect(line_of(page, "cellar/a", "$.w").get_by_label("Use as")).to_have_value("pump_power", timeout=PATIENCE_MS)
        unit = f"unit{number_of(page, 'cellar/a', '$.w')}"
        wrong_values_are_told(page, unit)
        page.get_by_role("button", name="Check it").click()
        expect(page.locator("dl dd", has_text="cellar/a").first).to_be_visible(timeout=PATIENCE_MS)
        check(page, "/setup, checked", 360, "dark", AXE)
        assert not town.file.exists()
        page.get_by_role("button", name="Write the site file").click()
        expect(page.get_by_role("heading", level=1)).to_have_text("Before you leave", timeout=PATIENCE_MS)
        a_test_is_answered(page, town)
    made = load_site(town.file)
    assert {channel.quantity for channel in made.channels} >= {Quantity.PUMP_POWER, Quantity.PACK_CHARGE}
    assert made.pit.drawdown_m == pytest.approx(0.18)
    with opened(browser, f"{town.url}/setup") as page:  # the draft is done with
        expect(field(page, "name")).to_have_value("", timeout=PATIENCE_MS)
    log.info("set up, with twelve wrong values on the way, in %.0f s of machine time", time.monotonic() - begun)


def number_of(page: Page, topic: str, path: str) -> str:
    name = line_of(page, topic, path).locator("select").get_attribute("name") or ""
    return name.removeprefix("quantity")


def wrong_values_are_told(page: Page, unit: str) -> None:
    """Twelve wrong values, four at a time: each is told beside its field, and mended it is told no more."""
    for name, value in HOUSE.items():
        fill(page, name, value)
    chance = random.Random(SEED)
    fields = drawn(SEED)
    for start in range(0, 12, 4):
        wrong = {}
        for name in fields[start : start + 4]:
            wrong[unit if name == "unit0" else name] = chance.choice(WRONG[TYPES[name]])
        right = {name: field(page, name).input_value() for name in wrong}
        for name, value in wrong.items():
            place = field(page, name)
            if place.get_attribute("type") == "email":  # what the browser itself would refuse is sent without it
                page.locator("#setup-form").evaluate("form => { form.noValidate = true; }")
            fill(page, name, value)
        with page.expect_navigation():
            page.get_by_role("button", name="Check it").click()
        expect(page.get_by_role("alert").get_by_role("link")).to_have_count(4, timeout=PATIENCE_MS)
        assert set(told_beside(page)) == set(wrong), wrong
        for name, value in right.items():
            fill(page, name, value)


def a_test_is_answered(page: Page, town: Town) -> None:
    """The page that set-up ends on: a test message is sent, comes by mail, and its digits are its answer."""
    expect(page.get_by_role("status").first).to_contain_text("Send a test message now", timeout=PATIENCE_MS)
    page.get_by_role("button", name="Send").first.click()
    expect(page.get_by_role("status").first).to_contain_text("on its way", timeout=PATIENCE_MS)
    wait_until(lambda: bool(town.box.mails), "the test message")
    body = town.box.mails[-1].get_body(("plain",))
    assert body is not None
    digits = re.search(r"(?<!\d)\d{4}(?!\d)", body.get_content())
    assert digits is not None
    page.get_by_label("Four digits from a test message").fill(digits[0])
    page.get_by_label("Four digits from a test message").press("Enter")
    expect(page.get_by_role("status").first).to_contain_text("The answer is kept", timeout=PATIENCE_MS)
    expect(page.locator("tr", has_text="has answered a test message within a month")).to_have_class(
        "held", timeout=PATIENCE_MS
    )


HOOK = "https://hooks.example.org/larkspur"
CHANGES: tuple[tuple[str, Mapping[str, str]], ...] = (
    ("house", {"name": "Larkspur Lane, lower cellar"}),
    ("plates", {"pack.capacity_wh": "2048"}),
    ("loads", {"loads[1].name": "freezer", "loads[1].watts": "60"}),
    ("channels", {"channels[0].max_silence_s": "240"}),
    ("contacts", {"contacts[1].name": "neighbour", "contacts[1].email": "neighbour@example.org"}),
    ("contacts", {"contacts[1].name": "hub", "contacts[1].webhook": HOOK, "contacts[1].webhook_secret": "a" * 32}),
    ("contacts", {"contacts[0].webhook": HOOK, "contacts[0].webhook_transitions": "all"}),
    ("limits", {"alarms.low_reserve_h": "8"}),
    ("away", {"away.from": "2031-07-01", "away.until": "2031-07-14"}),
    ("pause", {"pause.until": "2031-07-02"}),
)
"""A change for each part of a site file, and of each kind that stands in one with others: people, and webhooks, new
and of a person that is there. Days are in a year that is to come for long."""


@pytest.mark.timeout(900)
def test_every_kind_of_thing_is_changed_and_taken_back(browser: Browser, town: Town) -> None:
    """On the house that the test above set up, or where it did not run, on one that the same form makes."""
    if not town.file.exists():
        write_site(town.folder, described({**WHOLE, "weather.url": ""}, words()))
        wait_until(lambda: httpx.get(f"{town.url}/sites/larkspur", timeout=60).status_code == 200, "the site")
    first = town.file.read_text(encoding="utf-8")
    with opened(browser, f"{town.url}/sites/larkspur/edit", width=360) as page:
        for part, change in CHANGES:
            before = town.file.read_text(encoding="utf-8")
            page.goto(f"{town.url}/sites/larkspur/edit/{part}")
            for name, value in change.items():
                fill(page, name, value)
            page.get_by_role("button", name="Show what changes").click()
            expect(page.locator(".diff .plus").first).to_be_visible(timeout=PATIENCE_MS)
            expect(page.locator(".diff")).not_to_contain_text("a" * 32)  # a secret is covered
            page.get_by_role("button", name="Save").click()
            expect(page.locator(".did")).to_contain_text("Saved", timeout=PATIENCE_MS)
            assert town.file.read_text(encoding="utf-8") != before, part
            page.get_by_role("button", name="Take it back").first.click()
            expect(page.locator(".did")).to_contain_text("Saved: Taken back", timeout=PATIENCE_MS)
            assert town.file.read_text(encoding="utf-8") == before, part
        assert town.file.read_text(encoding="utf-8") == first
        work_is_told_and_taken_back(page, town)
        a_discharge_test_is_begun_and_ended(page, town)
        a_site_is_removed_and_brought_back(page, town)
    assert town.file.read_text(encoding="utf-8") == first


def work_is_told_and_taken_back(page: Page, town: Town) -> None:
    page.goto(f"{town.url}/sites/larkspur/health")
    fill(page, "did", "Pit rinsed")
    page.get_by_role("button", name="Tell of work").click()
    line = page.locator("li", has_text="Pit rinsed")
    line.get_by_role("button", name="Take it back").click()
    expect(line).to_have_count(0, timeout=PATIENCE_MS)


def a_discharge_test_is_begun_and_ended(page: Page, town: Town) -> None:
    """It waits for the plug; ended before that it leaves nothing under way, and another one may begin."""
    page.goto(f"{town.url}/sites/larkspur/discharge")
    for _ in range(2):
        page.get_by_role("button", name="Start a test").click()
        pull = page.get_by_role("button", name="I am pulling the plug now")
        expect(pull).to_be_visible(timeout=PATIENCE_MS)
        page.get_by_role("button", name="Finish the test").click()
        wait_until(lambda: not under_way(town), "the end of the test")
        page.goto(f"{town.url}/sites/larkspur/discharge")
        expect(pull).to_have_count(0, timeout=PATIENCE_MS)


def under_way(town: Town) -> bool:
    told = httpx.get(f"{town.url}/api/v1/sites/larkspur/discharge-tests", timeout=60).json()
    return any(test["finished"] is None for test in told["tests"])


def a_site_is_removed_and_brought_back(page: Page, town: Town) -> None:
    page.goto(f"{town.url}/sites/larkspur/edit/remove")
    page.get_by_role("button", name="Go on to remove it").click()
    field(page, "named").fill("larkspur")
    page.get_by_role("button", name=re.compile("^Remove ")).click()
    wait_until(lambda: not town.file.exists(), "the removal")
    page.goto(f"{town.url}/removed")
    page.get_by_role("button", name=re.compile("Bring it back")).click()
    wait_until(town.file.exists, "the return")
