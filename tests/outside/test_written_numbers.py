"""Figures as people write them, against the exact value: an inch is 25.4 mm, a foot 0.3048 m (1959 agreement)."""

from __future__ import annotations

import pytest

from api.cli import main
from api.pages.siteform import number_in
from collector.config.site_file import site_from
from collector.config.written import written
from forecaster.domain.errors import ConfigError, UsageError


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("1/3", "hp", 1 / 3),
        ("⅓", "hp", 1 / 3),
        ("1½", "hp", 1.5),
        ("1 1/2", "hp", 1.5),
        ("1-1/4 in", "m", 0.03175),
        ('18"', "m", 0.4572),
        ("6'", "m", 1.8288),
        ("50 ft", "m", 15.24),
        ("-4 C", "degC", -4.0),
        ("50 F", "degC", 10.0),
        ("20 °C", "degC", 20.0),
        ("2.048 kWh", "Wh", 2048.0),
        ("12,5", "W", 12.5),
        ("1e3", "W", 1000.0),
        ("95 %", "percent", 95.0),
    ],
)
def test_written(text: str, unit: str, value: float) -> None:
    assert written(text, unit) == pytest.approx(value)
    assert number_in(text, unit, "field") == pytest.approx(value)


@pytest.mark.parametrize("text", ["", "x", "1/0", "nan", "inf", "1//3", "1,000,5", "3 C", "--4", "1/3/4"])
def test_what_is_no_length(text: str) -> None:
    with pytest.raises(UsageError, match="field: "):
        number_in(text, "m", "field")


def described(**pit: object) -> dict[str, object]:
    pump = {"rated_voltage_v": 115.0, "horsepower": "1/3"}
    return {"id": "s", "name": "s", "timezone": "UTC", "pump": pump, "pack": {"capacity_wh": "2 kWh"}, "pit": pit}


def test_the_site_file_takes_fractions_and_marks() -> None:
    site = site_from(described(diameter_m='18"'), "s.toml", measured=False)
    assert site.pump.horsepower == pytest.approx(1 / 3)
    assert site.pack.capacity_wh == 2000
    assert site.pit.area_m2 == pytest.approx(0.16417, rel=1e-4)  # pi x 0.2286²


@pytest.mark.parametrize("pit", [{"diameter_m": 18.0}, {"drawdown_m": 9.0}, {"diameter_m": "0.46"}])
def test_the_site_file_refuses_a_unit_slip_and_a_quoted_number(pit: dict[str, object]) -> None:
    with pytest.raises(ConfigError):
        site_from(described(**pit), "s.toml", measured=False)


def test_an_option_that_is_no_number_is_wrong_use(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["size", "none.toml", "--temperature-c", "cold"]) == 2
    assert "not a number" in capsys.readouterr().err
