"""The owner's rain table in the site file: units, bounds, order, and what a slip of unit is told."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from collector.config.site_file import load_site, site_faults, site_toml
from forecaster.domain.site import RainTable, Site
from tests.collector.config.site_texts import refused_with_one_line, site_of
from tests.collector.examples import LARKSPUR

INCHES = """
[rain_table]
unit = "inch"
years = [2, 10, 100]
rows = [
  { hours = 1, depths = [1.3, 2.0, 3.1] },
  { hours = 24, depths = [3.0, 4.5, 7.6] },
]
"""


def _site(section: str) -> Site:
    return site_of(LARKSPUR + section)


def test_depths_are_kept_in_millimetres() -> None:
    """An inch is 25.4 mm by definition."""
    table = _site(INCHES).rain_table
    assert table == RainTable((2.0, 10.0, 100.0), (1.0, 24.0), ((33.02, 50.8, 78.74), (76.2, 114.3, 193.04)))
    assert _site("").rain_table is None


def test_a_table_survives_being_written_and_read(tmp_path: Path) -> None:
    path = tmp_path / "larkspur.toml"
    path.write_text(site_toml(_site(INCHES)), encoding="utf-8")
    assert load_site(path) == _site(INCHES)


@pytest.mark.parametrize(
    ("old", "new", "key", "says"),
    [
        ('"inch"', '"mm"', "rows[0].depths[0]", "1.3 inch are 33.02 mm"),
        ('"inch"', '"W"', "unit", "does not convert to mm"),
        ("1.3, 2.0, 3.1", "33.02, 50.8, 78.7", "rows[0].depths[0]", "33.02 mm are 1.3 inch"),
        ("3.0, 4.5, 7.6", "3.0, 4.5, 76", "rows[1].depths[2]", "is no rain of such a table"),
        ("1.3, 2.0, 3.1", "1.3, 2.0, -3.1", "rows[0].depths[2]", "is no rain of such a table"),
        ("1.3, 2.0, 3.1", "1.3, 2.0", "rows[0].depths", "2 depths for 3 return periods"),
        ("1.3, 2.0, 3.1", "1.3, 2.0, 1.9", "rows[0].depths", "not deeper than a commoner"),
        ("3.0, 4.5, 7.6", "1.2, 4.5, 7.6", "rows[1].depths", "not deeper than a shorter"),
        ("hours = 24", "hours = 0.5", "rows", "hours of the rows do not rise"),
        ("hours = 1,", "hours = 0.1,", "rows[0].hours", "greater than or equal to 0.25"),
        ("hours = 1,", "hour = 1,", "rows[0].hour", "did you mean 'hours'?"),
        ("[2, 10, 100]", "[2, 2, 100]", "years", "do not rise"),
        ("[2, 10, 100]", "[0.5, 10, 100]", "years", "between 1 and 1000"),
    ],
)
def test_a_slip_is_one_line_with_place_and_mend(old: str, new: str, key: str, says: str) -> None:
    text = LARKSPUR + INCHES.replace(old, new)
    refused = refused_with_one_line(text, f"rain_table.{key}", says)
    assert str(refused) in map(str, site_faults(tomllib.loads(text), "larkspur.toml"))
