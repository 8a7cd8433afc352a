"""What the set-up form makes of a house: loads, position, weather, and one line where something is missing."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping

import pytest

from api.pages.houseform import load_rows
from api.pages.setup import described, setup_context
from collector.config.site_file import site_from, site_toml
from forecaster.domain.errors import ConfigError, OutlastError, UsageError
from forecaster.domain.quantities import Quantity
from forecaster.domain.site import Load
from forecaster.texts.catalogue import words

LEAST: Mapping[str, str] = {
    "name": "Larkspur Lane cellar", "id": "larkspur", "timezone": "America/Chicago", "units": "metric",
    "pump.rated_voltage_v": "115", "pump.rated_power_w": "480", "pack.capacity_wh": "1024",
    "topic0": "cellar/plug", "path0": "$.power", "quantity0": "pump_power", "unit0": "W", "format0": "auto",
}  # fmt: skip


def test_the_least_that_is_needed_is_a_site() -> None:
    made = described(LEAST, words())
    assert (made.loads, made.latitude, made.weather, made.contacts) == ((), None, None, ())


def test_loads_position_weather_and_owner_reach_the_site_file() -> None:
    form = {
        **LEAST, "load_name0": "router", "load_w0": "12 W", "load_name3": "light", "load_w3": "0,005 kW",
        "latitude": "41.9", "longitude": "-87.6", "email": "owner@example.org",
        "weather.url": "https://weather.example.org/f.json", "weather.time": "$.hours[*].time",
        "weather.rain": "$.hours[*].mm", "weather.unit": "in",
    }  # fmt: skip
    made = described(form, words())
    assert made.loads == (Load("router", 12.0), Load("light", 5.0))
    assert (made.latitude, made.longitude) == (41.9, -87.6)
    assert made.weather is not None
    assert (made.weather.url, made.weather.unit) == ("https://weather.example.org/f.json", "in")
    assert [contact.email for contact in made.contacts] == ["owner@example.org"]
    assert site_from(tomllib.loads(site_toml(made)), "larkspur.toml") == made


def test_a_measured_load_is_of_a_load_that_is_described() -> None:
    measured = {**LEAST, "topic1": "cellar/router", "path1": "$.w", "quantity1": "load_power", "unit1": "W"}
    with pytest.raises(ConfigError, match="load"):
        described(measured, words())
    made = described({**measured, "of1": "router", "load_name0": "router", "load_w0": "12"}, words())
    assert [channel.of for channel in made.channels if channel.quantity is Quantity.LOAD_POWER] == ["router"]


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"load_name0": "router"}, "both its name and its watts"),
        ({"load_w0": "12"}, "both its name and its watts"),
        ({"load_name0": "router", "load_w0": "a few"}, "not a number"),
        ({"load_name0": "a", "load_w0": "1", "load_name1": "a", "load_w1": "2"}, "is there twice"),
        ({"latitude": "north"}, "latitude"),
        ({"latitude": "95"}, "latitude"),
        ({"weather.url": "weather"}, "weather"),
        ({"email": "nobody"}, "mail address"),
    ],
)
def test_what_is_amiss_gets_one_line(change: dict[str, str], said: str) -> None:
    with pytest.raises((ConfigError, UsageError)) as raised:
        described({**LEAST, **change}, words())
    assert said in str(raised.value)
    assert "\n" not in str(raised.value)
    assert isinstance(raised.value, OutlastError)


def test_what_was_filled_in_comes_back() -> None:
    form = {**LEAST, "load_name5": "router", "load_w5": "12", "weather.url": "https://w.example.org"}
    context = setup_context(form, words())
    assert (context.loads[0].name, context.loads[0].watts, len(context.loads)) == ("router", "12", 3)
    assert context.values["weather.url"] == "https://w.example.org"
    assert context.more_open
    full = {f"load_name{n}": f"load {n}" for n in range(12)}
    assert len(load_rows(full)) == 12
