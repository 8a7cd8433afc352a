"""The sizing page and `outlast size` in US units: what is asked and answered, all of it, and the site that stays."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from api.pages.formunits import from_shown, to_shown
from api.pages.siteform import content_of, values_of
from api.pages.sizingpage import FIELDS, steps_table
from collector.config.written import written
from forecaster.domain.site import Pack, Pit, Pump, Site, Units
from forecaster.sizing.answer import document, size
from forecaster.sizing.cord import Cord
from forecaster.sizing.options import Change
from forecaster.sizing.pipe import Pipe
from forecaster.sizing.question import Question
from forecaster.sizing.told import told
from forecaster.texts.catalogue import Measured, Said, coded, decoded, words

PUMP = Pump(115.0, (5.2, 5.2), 480.0, static_head_m=2.6, maximum_head_m=6.5, rated_flow_l_per_min=160.0)
SITE = Site("s", "s", "UTC", PUMP, Pack(1024, 900, 1800, charge_w=400.0), Pit(0.166, 0.18, 0.3), units=Units.US)
ASKED = Question(20, 10, cord=Cord(16, 15.0), pipe=Pipe(0.04, 12.0), temperature_c=-5.0)
METRIC = re.compile(r"\d (?:m|mm|L|L/min|L/h|°C)(?![\w/])|litre|metre")
US = re.compile(r"\d (?:ft|in|gal|gal/min|°F)(?![\w/])")


@pytest.mark.parametrize("language", ["en", "es"])
@pytest.mark.parametrize("temperature_c", [-30.0, -5.0, 50.0])
def test_no_answer_is_half_metric(language: str, temperature_c: float) -> None:
    """The distance of a generator alone stands in both, as everywhere: it keeps people from harm."""
    answer = size(SITE, replace(ASKED, temperature_c=temperature_c), Change(generator_h=1.0))
    say = words(language)
    text = told(answer, say.of_site(SITE)).replace("20 ft (6 m)", "").replace("6 m (20 ft)", "")
    table = steps_table(answer, say.of_site(SITE))
    for one in (text, *(" ".join(row) for row in table.rows)):
        assert not METRIC.search(one)
    assert not US.search(told(answer, say).replace("20 ft", ""))
    assert not US.search(told(answer, say.of_site(replace(SITE, units=Units.METRIC))).replace("20 ft", ""))


def test_the_figures_are_those_of_the_yard_and_the_gallon() -> None:
    """2.6 m / 0.3048 = 8.53 ft; 0.5 m = 1.64 ft; -5 °C = 23 °F; 160 L/min / 3.785411784 = 42.3 (NIST SP 811)."""
    answer = size(SITE, replace(ASKED, pipe=None))
    text = told(answer, words().of_site(SITE))
    for figure in ("8.53 ft", "1.64 ft less lift", "table at 23 °F", "42.3 gal/min", "below 32 °F"):
        assert figure in text
    assert any(step["unit"] == "m" and step["value"] == 2.6 for step in document(answer)["steps"])


@pytest.mark.parametrize(("value", "unit", "metric", "us", "spanish"), [
    (0.5, "m", "0.5 m", "1.64 ft", "1,64 pies"), (25.4, "mm", "25.4 mm", "1 in", "1 in"),
    (-40.0, "°C", "-40 °C", "-40 °F", "-40 °F"), (0.0, "L/min", "0 L/min", "0 gal/min", "0 gal/min"),
    (3785.411784, "L/h", "3,785 L/h", "1,000 gal/h", "1\xa0000 gal/h"),
])  # fmt: skip
def test_a_measured_value_is_said_in_its_readers_units(
    value: float, unit: str, metric: str, us: str, spanish: str
) -> None:
    """By the definitions of foot, inch, gallon and degree (NIST SP 811); kept texts keep the value, not its words."""
    said = Measured(value, unit)
    kept = decoded(coded(said), "")
    assert isinstance(kept, Measured)
    assert str(said) == metric == words().again(kept)
    assert words().of_site(SITE).again(kept) == us
    assert words("es").of_site(SITE).again(kept) == spanish
    within = Said("rehearsal.rain_fell", depth=said)
    assert us in words().of_site(SITE).again(decoded(coded(within), str(within)))


@given(st.floats(0.05, 20.0), st.floats(0.05, 0.9), st.floats(20.0, 500.0))
def test_a_site_shown_in_us_units_is_read_back_as_it_was(head_m: float, drawdown_m: float, flow: float) -> None:
    pump = replace(PUMP, static_head_m=head_m, maximum_head_m=2.0 * head_m, rated_flow_l_per_min=flow)
    values = values_of(replace(SITE, pump=pump, pit=Pit(0.166, drawdown_m, 0.3)))
    shown = to_shown(values, FIELDS, Units.US)
    back = content_of(from_shown(shown, FIELDS, Units.US))
    plain = content_of(values)
    for section, fields in plain.items():
        for key, value in fields.items():
            assert back[section][key] == (pytest.approx(value, rel=1e-4) if isinstance(value, float) else value)
    assert to_shown(values, FIELDS, Units.METRIC) == from_shown(values, FIELDS, None) == values


@pytest.mark.parametrize(("typed", "metres"), [("8.53", 2.6), ("2.6 m", 2.6), ("8' ", 2.4384), ("9 1/2", 2.8956)])
def test_a_bare_number_is_in_the_unit_that_the_field_shows(typed: str, metres: float) -> None:
    read = from_shown({"pump.static_head_m": typed}, FIELDS, Units.US)
    assert written(read["pump.static_head_m"], "m") == pytest.approx(metres, rel=1e-3)


def test_a_field_that_is_no_number_stays_for_the_form_to_refuse() -> None:
    assert from_shown({"pump.static_head_m": "high"}, FIELDS, Units.US) == {"pump.static_head_m": "high"}
