"""A list of tables within a section: typed by hand as sections, changed over HTTP as one value, and taken out again."""

from __future__ import annotations

import tomllib
from typing import Any

import pytest

from collector.config.site_file import site_from
from collector.editing.patch import change_of
from collector.editing.rewrite import rewritten
from tests.collector.examples import LARKSPUR

TYPED = """
# of the rainfall service
[rain_table]
unit = "inch" # as published
years = [2, 10]

[[rain_table.rows]]
hours = 1
depths = [1.3, 2.0]

[[rain_table.rows]]
hours = 24
depths = [3.0, 4.5]

[away]
from = 2026-03-01
until = 2026-03-02
"""
ROWS = [{"hours": 1, "depths": [30, 45]}, {"hours": 24, "depths": [60, 90]}]


@pytest.mark.parametrize("before", [LARKSPUR, LARKSPUR + TYPED])
def test_a_table_is_written_whole(before: str) -> None:
    patch: dict[str, Any] = {"rain_table": {"unit": "mm", "years": [2, 10], "rows": ROWS}}
    after = rewritten(before, change_of(tomllib.loads(before), patch), "larkspur.toml")
    table = site_from(tomllib.loads(after), "larkspur.toml").rain_table
    assert table is not None
    assert table.depths_mm == ((30.0, 45.0), (60.0, 90.0))
    assert after.startswith(LARKSPUR.rstrip())


def test_one_changed_row_leaves_the_rest_of_the_section() -> None:
    before = LARKSPUR + TYPED
    patch = {"rain_table": {"rows": [{"hours": 2, "depths": [1.5, 2.2]}]}}
    after = rewritten(before, change_of(tomllib.loads(before), patch), "larkspur.toml")
    assert '# of the rainfall service\n[rain_table]\nunit = "inch" # as published\nyears = [2, 10]\n' in after
    assert tomllib.loads(after)["rain_table"]["rows"] == [{"hours": 2, "depths": [1.5, 2.2]}]
    assert after.endswith("\n[away]\nfrom = 2026-03-01\nuntil = 2026-03-02\n")


def test_a_table_is_taken_out_with_its_rows() -> None:
    before = LARKSPUR + TYPED
    after = rewritten(before, change_of(tomllib.loads(before), {"rain_table": None}), "larkspur.toml")
    assert "rain_table" not in after
    assert tomllib.loads(after) == {key: one for key, one in tomllib.loads(before).items() if key != "rain_table"}
