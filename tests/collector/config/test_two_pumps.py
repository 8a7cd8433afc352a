"""A site file with two pumps in one pit: what it says, and what is refused with one line that says the mend."""

from __future__ import annotations

import pytest

from forecaster.domain.quantities import Quantity
from forecaster.domain.site import Driven
from tests.collector.config.site_texts import site_of, slip_refused, written_again

FILE = """
id = "larkspur"
name = "Larkspur Lane cellar"
timezone = "America/Chicago"

[[pumps]]
id = "main"
rated_voltage_v = 115
rated_current_a = 5.2

[[pumps]]
id = "backup"
rated_voltage_v = 115
rated_current_a = [4.0, 5.2]
starts_above_m = 0.1

[pit]
diameter_m = 0.46
drawdown_m = 0.18
freeboard_m = 0.30

[pack]
capacity_wh = 1024

[[channels]]
quantity = "pump_power"
topic = "cellar/plug/power"
of = "main"

[[channels]]
quantity = "pit_float"
topic = "cellar/upper-float"
of = "backup"
"""
ELECTRIC = "rated_voltage_v = 115\nrated_current_a = [4.0, 5.2]\n"
BY_WATER = 'driven_by = "water_pressure"\nrated_flow_l_per_min = 60\nsupply_l_per_l = 1\n'
THIRD = '[[pumps]]\nid = "third"\nrated_voltage_v = 115\nrated_power_w = 300\nstarts_above_m = 0.2\n\n'


def test_the_first_one_is_the_usual_pump_and_the_second_is_named() -> None:
    site = site_of(FILE)
    assert site.pump == site.pumps[0].pump
    assert site.second_pump is not None
    assert (site.second_pump.id, site.second_pump.starts_above_m) == ("backup", 0.1)
    assert [(channel.quantity, channel.of) for channel in site.channels] == [
        (Quantity.PUMP_POWER, ""),
        (Quantity.PIT_FLOAT, "backup"),
    ]
    assert site.has(Quantity.PUMP_POWER)
    assert not site.has(Quantity.PIT_FLOAT)


@pytest.mark.parametrize("text", [FILE, FILE.replace(ELECTRIC, BY_WATER)], ids=["on the pack", "on water pressure"])
def test_a_written_file_gives_the_same_site(text: str) -> None:
    site = site_of(text)
    written_again(site)
    assert site.second_pump is not None
    assert (site.second_pump.driven_by is Driven.WATER_PRESSURE) == (text != FILE)


WRONG = {
    "both kinds": (("[pit]", "[pump]\nrated_voltage_v = 115\nhorsepower = 0.5\n\n[pit]"), "pump", "keep one of them"),
    "one only": ((FILE[FILE.rindex("[[pumps]]") : FILE.index("[pit]")], ""), "pumps", "write it as [pump]"),
    "three": (("[pit]", f"{THIRD}[pit]"), "pumps", "the two that start first"),
    "one name twice": (('id = "backup"', 'id = "main"'), "pumps", "own name"),
    "no higher float": (("starts_above_m = 0.1\n", ""), "pumps", "measure from float to float"),
    "a first one that is higher": (
        ("rated_current_a = 5.2", "rated_current_a = 5.2\nstarts_above_m = 0.1"), "pumps", "without starts_above_m",
    ),
    "a float above the floor": (("starts_above_m = 0.1", "starts_above_m = 0.3"), "pumps[1].starts_above_m", "first"),
    "a pump that is not there": (('of = "backup"', 'of = "bakcup"'), "channels[1].of", "did you mean 'backup'"),
    "a channel of no pump": (('of = "main"\n', ""), "channels[0].of", "does not say of which pump"),
    "a pump that nothing measures": (('of = "backup"', 'of = "main"'), "channels", 'with of = "backup"'),
    "volts of water pressure": (
        (ELECTRIC, f"rated_voltage_v = 115\n{BY_WATER}"), "pumps[1]", "remove rated_voltage_v",
    ),
    "water pressure without a flow": (
        (ELECTRIC, BY_WATER.replace("rated_flow_l_per_min = 60\n", "")), "pumps[1]", "copy its flow",
    ),
    "municipal water of an electric pump": (
        ("starts_above_m = 0.1", "starts_above_m = 0.1\nsupply_l_per_l = 1"), "pumps[1]", "water_pressure",
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", WRONG)
def test_what_cannot_be_forecast_is_refused_with_one_line(name: str) -> None:
    slip_refused(FILE, WRONG[name])
