"""What a reader chooses of units and clock holds on every page, without a script, and for that reader alone."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from urllib.parse import urlencode

import pytest
from babel.dates import format_time
from hypothesis import given
from hypothesis import strategies as st

from api.process.services import Services
from forecaster.domain.runs import Outage
from forecaster.domain.site import Units
from forecaster.domain.times import HOUR_MS
from forecaster.texts.catalogue import words
from forecaster.texts.wording import Wording
from tests.api.pagesample import Browser, Tags, client, forecast, heard, publish, raise_alarm, runs, site
from tests.scenario import NOW_MS, services

OF_A_SITE = (
    "", "/history", "/outages", "/outages/latest", "/outages/latest/report", "/alarms", "/telemetry", "/discharge",
    "/health", "/leaving", "/sizing", "/trip", "/sheet", "/edit", "/now",
)  # fmt: skip
PAGES = ("/", "/setup", *(f"/sites/larkspur{tail}" for tail in OF_A_SITE))
CLOCK_24 = re.compile(r"(?<![\d:.-])(?:[01]\d|2[0-3]):[0-5]\d(?![\d:])(?!\s?(?:am|pm|a\. m\.|p\. m\.))")


@pytest.fixture
def held(tmp_path: Path) -> Iterator[Services]:
    """A house that shows US units, an hour on the pack."""
    made = services(tmp_path, {"larkspur": site(units=Units.US)})
    publish(made, forecast())
    made.ledger.record([*runs(), Outage("larkspur", NOW_MS - HOUR_MS, None, False, 100.0)])
    heard(made)
    raise_alarm(made, headline="Mains lost since 14:12 CST; the pack stands at 54 °F.")
    yield made
    made.close()


def test_units_and_clock_are_kept_in_the_readers_browser_alone(held: Services) -> None:
    reader, other = client(held), client(held)
    before = Tags(reader.get("/sites/larkspur").text).text
    assert "gal/min" in before
    for choice in ("units/metric", "clock/12"):
        answer = reader.get(f"/reader/{choice}?next=/sites/larkspur")
        assert (answer.status_code, answer.headers["location"]) == (303, "/sites/larkspur")
        assert "httponly" in answer.headers["set-cookie"].lower()
    after = Tags(reader.get("/sites/larkspur").text).text
    assert "L/min" in after
    assert "gal" not in after
    assert "am" in after
    assert Tags(other.get("/sites/larkspur").text).text == before


@pytest.mark.parametrize("path", PAGES)
@pytest.mark.parametrize("code", ["en", "es"])
def test_no_page_keeps_the_clock_of_24_hours(held: Services, path: str, code: str) -> None:
    reader = client(held)
    reader.get("/reader/clock/12")
    answer = reader.get(path, headers={"accept-language": code})
    assert answer.status_code == 200
    text = Tags(answer.text).text
    assert CLOCK_24.findall(text) == []
    assert "m.." not in text


@pytest.mark.parametrize("path", PAGES)
def test_no_page_keeps_the_units_of_the_house(held: Services, path: str) -> None:
    reader = client(held)
    reader.get("/reader/units/metric")
    text = Tags(reader.get(path).text).text
    assert re.findall(r"[0-9] (?:gal|°F|in(?! \d))\b", text.replace("18 in", "")) == []


def test_the_sizing_asks_and_answers_in_the_units_of_the_house(held: Services) -> None:
    reader = client(held)
    us = reader.get("/sites/larkspur/sizing").text
    assert not re.search(r"[0-9] (?:m|L/min|°C)(?!\w)|>(?:m|m²|L/min|°C)<", us.replace("(6 m)", ""))
    assert ">gal/min<" in us
    shown = dict(re.findall(r'name="([^"]+)"[^>]*? value="([^"]*)"', us))
    shown |= {"cycles_per_hour": "20", "run_s": "10", "cord_awg": "16", "cord_length_m": "50"}
    assert shown["asked_in"] == "us"
    assert cord_ohm(reader, shown) == pytest.approx(2 * 50 * 4.89 / 1000, rel=0.05)
    linked = {key: value for key, value in shown.items() if not re.search(r"_in$|pit\.|head_m|flow", key)}
    assert cord_ohm(reader, linked) == pytest.approx(2 * 50 * 3.28084 * 4.89 / 1000, rel=0.05)
    reader.get("/reader/units/metric")
    metric = reader.get(f"/sites/larkspur/sizing?{urlencode(shown)}").text
    assert ">L/min<" in metric
    assert 'value="50 ft"' in metric


def cord_ohm(reader: Browser, asked: dict[str, str]) -> float:
    """Resistance of the cord both ways by the sizing's arithmetic; 16 AWG has 4.89 ohm in 1000 ft (NEC, table 8)."""
    found = re.search(r"A x ([0-9.]+) ohm", reader.get(f"/sites/larkspur/sizing?{urlencode(asked)}").text)
    assert found is not None
    return float(found[1])


def test_what_an_alarm_said_is_read_in_the_readers_clock_and_units(held: Services) -> None:
    reader = client(held)
    for choice in ("units/metric", "clock/12"):
        reader.get(f"/reader/{choice}")
    for tail in ("/alarms", "/outages/latest", "/outages/latest/report"):
        text = Tags(reader.get(f"/sites/larkspur{tail}").text).text
        assert "2:12 pm CST; the pack stands at 12 °C" in text, tail


@pytest.mark.parametrize(
    ("path", "status"), [("/reader/units/parsecs", 303), ("/reader/clock/13", 303), ("/reader/colour/red", 422)]
)
def test_a_choice_that_there_is_not_changes_nothing(held: Services, path: str, status: int) -> None:
    answer = client(held).get(path)
    assert answer.status_code == status
    assert "set-cookie" not in answer.headers


def test_a_cookie_of_nonsense_is_no_choice(held: Services) -> None:
    reader = client(held)
    before = Tags(reader.get("/sites/larkspur").text).text
    reader.cookies.set("outlast_units", "furlongs")
    reader.cookies.set("outlast_clock", "x" * 4000)
    assert Tags(reader.get("/sites/larkspur").text).text == before


@given(st.integers(0, 86_400 * 365))
def test_a_clock_of_twelve_says_what_babel_says(at_s: int) -> None:
    """Unicode CLDR's English short time of day, by babel: `12:05 AM` is five past midnight."""
    wording = Wording("UTC", Units.METRIC, words().read_in(None, half_days=True))
    said = wording.clock(at_s * 1000, at_s * 1000)
    theirs = format_time(datetime.fromtimestamp(at_s, UTC), "h:mm a", locale="en")
    assert said == theirs.replace("\u202f", " ").lower()
