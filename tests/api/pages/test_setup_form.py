"""What the set-up form makes of a house: loads, position, weather, and one line where something is missing."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import asdict, fields, replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from api.pages.houseform import load_rows
from api.pages.setup import described, setup_context
from api.pages.siteform import PLATES, content_of, values_of
from collector.config.site_file import site_from, site_toml
from forecaster.domain.errors import ConfigError, OutlastError, UsageError
from forecaster.domain.quantities import Quantity
from forecaster.domain.site import Chemistry, Load, Pack, Pit, Pump, Site
from forecaster.texts.catalogue import words
from forecaster.twin.live import larkspur_site
from tests.strategies import packs, pumps

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


@pytest.mark.parametrize(
    ("text", "amperes"),
    [
        ("5.2", 5.2), ("4.1-8.8", [4.1, 8.8]), ("4.1 A - 8.8 A", [4.1, 8.8]), ("4.1 – 8.8", [4.1, 8.8]),
        ("4.1 to 8.8", [4.1, 8.8]), ("4.1..8.8", [4.1, 8.8]), ("-5", -5.0), ("-5 to 8", [-5.0, 8.0]), ("5e-1", 0.5),
    ],
)  # fmt: skip
def test_a_sign_of_a_current_is_no_hyphen_of_its_range(text: str, amperes: object) -> None:
    form = {**LEAST, "pump.rated_current_a": text}
    assert content_of(form)["pump"]["rated_current_a"] == amperes
    if text.startswith("-"):
        with pytest.raises(ConfigError, match=r"pump\.rated_current_a"):
            described(form, words())


def test_a_lead_acid_pack_reaches_the_site_file() -> None:
    made = described({**LEAST, "pack.chemistry": "lead_acid"}, words())
    assert made.pack.chemistry is Chemistry.LEAD_ACID
    assert 'chemistry = "lead_acid"' in site_toml(made)
    with pytest.raises(ConfigError, match=r"pack\.chemistry"):
        described({**LEAST, "pack.chemistry": "cheese"}, words())
    shown = {f.name: f for section in setup_context({}, words()).sections for f in section.first}
    assert [choice for choice, _ in shown["pack.chemistry"].choices] == list(Chemistry)


@given(pumps, packs, st.sampled_from(Chemistry), st.sampled_from((0.0, 10.0, 50.0)), st.sampled_from((None, 12.0)))
def test_a_site_shown_in_the_form_is_the_site_that_the_form_gives_back(
    pump: Pump, pack: Pack, chemistry: Chemistry, reserve: float, surge_s: float | None
) -> None:
    """Also what is 0, and what is seldom asked: the sizing page of a site asks about that very site."""
    told = replace(
        pack, chemistry=chemistry, reserve_percent=reserve, surge_s=surge_s, continuous_va=950.0, output_voltage_v=230.0
    )
    site = Site("s", "s", "UTC", pump, told, Pit(0.17, 0.18, 0.3))
    again = described({**LEAST, **dict.fromkeys(values_of(larkspur_site()), ""), **values_of(site)}, words())
    for name, meant in (("pump", pump), ("pit", site.pit), ("pack", told)):
        assert as_shown(getattr(again, name)) == as_shown(meant)


def as_shown(part: Pump | Pit | Pack) -> dict[str, object]:
    """Its fields, numbers to the six digits that the form shows."""
    return {
        key: tuple(float(f"{end:.6g}") for end in value) if isinstance(value, tuple)
        else float(f"{value:.6g}") if isinstance(value, float | int) else value
        for key, value in asdict(part).items()
    }  # fmt: skip


def test_every_field_of_pump_pit_and_pack_is_in_the_form() -> None:
    """But for the price, which compares packs; a pit's diameter is another way to say its area."""
    asked = {plate.name for plate in PLATES} - {"pit.diameter_m"}
    parts = (("pump", Pump), ("pit", Pit), ("pack", Pack))
    assert asked == {f"{name}.{f.name}" for name, part in parts for f in fields(part)} - {"pack.price"}


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
