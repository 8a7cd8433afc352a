"""Wrong values at set-up: all of them are told at once, each beside its field, in words that need no file."""

from __future__ import annotations

import random
import re
from collections.abc import Iterator, Mapping
from pathlib import Path

import pytest

from api.pages.setup import machine_zone, short_name
from api.pages.siteform import PLATES
from api.process.services import Services
from forecaster.domain.site import Units
from forecaster.texts.catalogue import languages, words
from tests.api.pages.test_setup_form import LEAST
from tests.api.pagesample import Browser, Tags, client, form_token, site
from tests.scenario import services

WRONG: Mapping[str, tuple[str, ...]] = {
    "number": ("a few", "12 apples", "1..5", "--3", "0x10", "1e999", "∞", "½½", "5 kg", "NaN"),
    "positive": ("-5", "-0.5 ", "-1e3"),
    "name": ("Lark Spur", "Ünder", "a/b", "../etc", "UPPER", "a" * 65),
    "zone": ("Chicago", "Mars/Olympus", "UTC+99", "America/"),
    "mail": ("nobody", "@example.org", "a b@example.org", "owner@"),
    "north": ("95", "north", "-91", "41° 52"),
    "east": ("181", "west", "-200"),
    "address": ("weather", "ftp://example.org/x", "http://", "javascript:1"),
    "unit": ("kWh", "gallons", "xyz", "m/s"),
    "load": ("a few", "-3", "12 L"),
}
"""Values that nobody can mean, by type of field."""

POSITIVE = {f"pump.{key}" for key in ("rated_voltage_v", "rated_power_w", "horsepower", "locked_rotor_current_a")} | {
    "pit.diameter_m",
    "pit.drawdown_m",
    "pack.capacity_wh",
    "pack.surge_w",
}
TYPES: Mapping[str, str] = {
    **{plate.name: "number" for plate in PLATES if not plate.choices and plate.unit != "text"},
    **dict.fromkeys(sorted(POSITIVE), "positive"),
    "id": "name", "timezone": "zone", "email": "mail", "latitude": "north", "longitude": "east",
    "weather.url": "address", "unit0": "unit", "load_w0": "load",
}  # fmt: skip
"""Fields of the form and their type."""

WHOLE = {
    **LEAST, "email": "owner@example.org", "latitude": "41.9", "longitude": "-87.6", "load_name0": "router",
    "load_w0": "12", "weather.url": "https://8.8.8.8/f", "weather.time": "$.t[*]", "weather.rain": "$.r[*]",
}  # fmt: skip


@pytest.fixture
def empty(tmp_path: Path) -> Iterator[Services]:
    made = services(tmp_path, {})
    yield made
    made.close()


def sent(browser: Browser, form: Mapping[str, str], code: str = "en", do: str = "check") -> str:
    token = form_token(browser.get("/setup").text)
    answer = browser.post("/setup", data={**form, "form_token": token, "do": do}, headers={"accept-language": code})
    assert answer.status_code == 200
    return answer.text


def marked(html: str) -> dict[str, str]:
    """By marked field what is said beside it, as a screen reader finds it (WAI-ARIA 1.2, aria-describedby)."""
    found = {}
    for tag, attributes in Tags(html).tags:
        if tag in ("input", "select") and attributes.get("aria-invalid") == "true":
            beside = re.escape(attributes["aria-describedby"] or "")
            said = re.search(rf'<span class="fault" id="{beside}">([^<]+)</span>', html)
            assert said is not None, attributes
            found[attributes["name"] or ""] = said[1]
    return found


@pytest.mark.parametrize("seed", range(6))
def test_twelve_wrong_values_are_told_at_once_each_beside_its_field(empty: Services, seed: int) -> None:
    drawn = random.Random(seed)
    fields = drawn.sample(sorted(TYPES), 12)
    form = {**WHOLE, **{field: drawn.choice(WRONG[TYPES[field]]) for field in fields}}
    html = sent(client(empty), form)
    told = marked(html)
    assert set(told) == set(fields), {field: form[field] for field in set(fields) ^ set(told)}
    for field, said in told.items():
        assert not re.search(r"\bform\b|rated_|_w\b|\[\[", said), (field, said)
    text = Tags(html).text
    assert words()("edit.faults", n=12) in text
    for field in fields:
        assert f'href="#{field}"' in html
    assert not (empty.installation.folder / "sites").exists() or not list(empty.installation.folder.glob("sites/*"))


@pytest.mark.slow
def test_every_type_of_field_refuses_each_of_its_wrong_values(empty: Services) -> None:
    """One after another, alone: nothing else is marked, and mended it is marked no more."""
    browser = client(empty)
    kinds = {kind: field for field, kind in sorted(TYPES.items())}
    for kind, field in kinds.items():
        for value in WRONG[kind]:
            assert set(marked(sent(browser, {**WHOLE, field: value}))) == {field}, (field, value)
    assert marked(sent(browser, {**WHOLE, "weather.url": ""}, do="take")) == {}


@pytest.mark.parametrize("code", languages())
def test_an_empty_form_says_what_is_needed(empty: Services, code: str) -> None:
    told = marked(sent(client(empty), {}, code))
    needed = {"name", "id", "timezone", "pump.rated_voltage_v", "pack.capacity_wh"}
    assert needed <= set(told)
    assert all(words(code)("setup.needed") in told[field] for field in ("name", "id", "timezone"))


def test_what_shows_only_behind_another_fault_is_told_with_it(empty: Services) -> None:
    """A unit that does not convert is looked at only once the house has its names: here both are wrong."""
    form = {**WHOLE, "name": "", "timezone": "Chicago", "unit0": "kWh", "load_name1": "light"}
    assert set(marked(sent(client(empty), form))) == {"name", "timezone", "unit0", "load_w1"}


def test_of_a_pump_all_is_told_that_is_wrong_and_nothing_that_is_not(empty: Services) -> None:
    browser = client(empty)
    nothing = {**WHOLE, "pump.rated_voltage_v": "", "pump.rated_power_w": ""}
    for form, told in (
        (nothing, {"pump.rated_voltage_v", "pump.rated_power_w"}),
        (nothing | {"pump.horsepower": "much"}, {"pump.rated_voltage_v", "pump.horsepower"}),
        (
            nothing | {"pump.rated_power_w": "480", "pump.power_factor": "7"},
            {"pump.rated_voltage_v", "pump.power_factor"},
        ),
        (WHOLE | {"pump.static_head_m": "5", "pump.maximum_head_m": "4"}, {"pump.static_head_m"}),
    ):
        found = marked(sent(browser, form))
        assert set(found) == told, form
        assert not any("rated_" in said for said in found.values()), found


def test_what_can_be_proposed_is_filled_in(tmp_path: Path) -> None:
    made = services(tmp_path, {"larkspur": site(units=Units.US)})
    browser = client(made)
    html = browser.get("/setup").text
    assert 'value="America/Chicago"' in html
    assert '<option value="us" selected>' in html
    taken = sent(browser, {**WHOLE, "id": "larkspur"})
    assert "there is a site of this id already" in marked(taken)["id"]
    named = sent(browser, {**WHOLE, "id": "", "name": "", "timezone": "x"})
    assert 'name="id" id="id" value=""' in named
    named = sent(browser, {**WHOLE, "id": "", "name": "Mill Row, 2nd cellar", "timezone": "x"})
    assert 'value="mill-row-2nd-cellar"' in named
    made.close()


@pytest.mark.parametrize(
    ("name", "short"),
    [("Larkspur Lane cellar", "larkspur-lane-cellar"), ("Sótano núm. 3", "sotano-num-3"), ("地下室", ""), ("--", "")],
)
def test_a_short_name_is_made_of_the_name(name: str, short: str) -> None:
    assert short_name(name) == short


def test_the_machines_zone_is_proposed_where_it_is_linked(tmp_path: Path) -> None:
    """As `timedatectl` and the installers of Debian link it (localtime(5))."""
    link = tmp_path / "localtime"
    assert machine_zone(link) == ""
    for zone, told in (("America/Chicago", "America/Chicago"), ("Etc/Nowhere", ""), ("UTC", "")):
        link.unlink(missing_ok=True)
        link.symlink_to(f"/usr/share/zoneinfo/{zone}")
        assert machine_zone(link) == told
