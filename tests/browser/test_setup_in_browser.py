"""From nothing to a site file without editing one: a real broker, a real browser, the page alone."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion
from playwright.sync_api import Browser, Locator, expect

from collector.config.settings import load_sites
from forecaster.domain.quantities import Quantity
from forecaster.domain.site import Load
from tests.api.mosquitto import Mosquitto
from tests.browser.serving import Served, serving
from tests.browser.test_pages_in_browser import AXE, check, opened
from tests.scenario import services

MARKUP = "cellar/<b>plug</b>"


@pytest.fixture
def empty(tmp_path: Path) -> Iterator[Served]:
    """An installation without a site, at a broker on which a plug and a pack publish twice a second."""
    broker = Mosquitto(tmp_path)
    broker.start()
    ending = threading.Event()
    talker = mqtt.Client(CallbackAPIVersion.VERSION2)
    talker.connect("127.0.0.1", broker.port)
    talker.loop_start()

    def talk() -> None:
        while not ending.wait(0.5):
            talker.publish(MARKUP, json.dumps({"power": 481.5, "note": "<script>"}))
            talker.publish("cellar/pack", json.dumps({"soc": 93, "time": "2026-03-03T11:06:06Z"}))

    talking = threading.Thread(target=talk, daemon=True)
    talking.start()
    held = services(tmp_path, {})
    held.installation = replace(held.installation, broker=broker.settings)
    with serving(held) as served:
        yield served
    held.close()
    ending.set()
    talking.join(5)
    talker.disconnect()
    talker.loop_stop()
    broker.stop()


@pytest.mark.parametrize("script", [True, False])
def test_a_site_is_set_up_without_editing_a_file(browser: Browser, empty: Served, script: bool) -> None:
    folder = empty.services.installation.folder
    with opened(browser, f"{empty.url}/setup", script=script) as page:

        def field(name: str) -> Locator:
            return page.locator(f"input[name='{name}']")

        page.get_by_label("For so many seconds").fill("3")
        page.get_by_role("button", name="Listen").click()
        power = page.locator(".offer", has=page.get_by_text(MARKUP, exact=True)).locator(".offer-line")
        expect(power).to_contain_text("looks like Pump power in W")
        expect(power.get_by_label("Use as")).to_have_value("")  # nothing is chosen silently
        if not script:  # what follows by itself with one is asked for without
            before = power.locator(".values").inner_text()
            expect(page.locator("#listening")).to_be_visible()
            page.get_by_role("button", name="Look again").click()
            assert before.startswith("481.5")
            page.goto(f"{empty.url}/setup")  # and a new load goes on where it was left
            expect(power).to_contain_text("looks like Pump power in W")
        page.get_by_role("button", name="Fill in the suggestions").click()
        expect(power.get_by_label("Use as")).to_have_value("pump_power")
        page.get_by_role("button", name="Check it").click()
        expect(page.get_by_role("alert")).to_contain_text("this is needed")
        expect(field("name")).to_have_attribute("aria-invalid", "true")
        field("name").fill("Larkspur Lane cellar")
        field("id").fill("larkspur")
        field("timezone").fill("America/Chicago")
        field("pump.rated_voltage_v").fill("115")
        field("pump.rated_power_w").fill("480")
        field("pit.diameter_m").fill("18 in")
        field("pack.capacity_wh").fill("1.024 kWh")
        field("load_name0").fill("router")
        field("load_w0").fill("12")
        page.get_by_text("Position of the house, and rain to come").click()
        field("latitude").fill("41.9")
        field("longitude").fill("-87.6")
        page.get_by_role("button", name="Check it").click()
        expect(page.locator("dd", has_text="482 W")).to_be_visible(timeout=20_000)
        expect(page.locator("dd", has_text="93%")).to_be_visible()
        if script:
            check(page, "/setup, filled in", 360, "dark", AXE)
        assert load_sites(folder / "sites") == {}
        page.get_by_role("button", name="Write the site file").click()
        expect(page.get_by_role("heading", level=1)).to_have_text("Larkspur Lane cellar is set up")
        page.go_back()
    made = load_sites(folder / "sites")["larkspur"]
    assert [channel.quantity for channel in made.channels] == [Quantity.PUMP_POWER, Quantity.PACK_CHARGE]
    assert made.pack.capacity_wh == pytest.approx(1024.0)
    assert made.loads == (Load("router", 12.0),)
    assert (made.latitude, made.longitude) == (41.9, -87.6)
    assert made.pit.area_m2 == pytest.approx(0.16417, rel=1e-4)  # pi (9 in)^2, an inch being 25.4 mm


def test_a_site_that_is_there_is_never_overwritten(browser: Browser, empty: Served) -> None:
    folder = empty.services.installation.folder
    (folder / "sites" / "larkspur.toml").write_text("mine")
    with opened(browser, f"{empty.url}/setup") as page:
        fields: dict[str, str | float | bool] = {
            "name": "X",
            "id": "larkspur",
            "timezone": "UTC",
            "pump.rated_voltage_v": "115",
        }
        fields |= {"pump.rated_power_w": "480", "pack.capacity_wh": "1024", "do": "write", "units": "metric"}
        fields |= {"topic0": "t", "path0": "", "quantity0": "pump_power", "unit0": "W", "format0": "auto"}
        fields["form_token"] = page.locator("input[name=form_token]").first.get_attribute("value") or ""
        answer = page.request.post(f"{empty.url}/setup", form=fields)
        assert "there is a site of this id already" in answer.text()
    assert (folder / "sites" / "larkspur.toml").read_text() == "mine"


def test_a_broker_that_is_away_is_said_in_one_line(browser: Browser, tmp_path: Path) -> None:
    held = services(tmp_path, {})
    held.installation = replace(held.installation, broker=Mosquitto(tmp_path).settings)
    with serving(held) as served, opened(browser, f"{served.url}/setup") as page:
        page.get_by_role("button", name="Listen").click()
        expect(page.get_by_role("alert")).to_contain_text("no broker answers at 127.0.0.1")
    held.close()
