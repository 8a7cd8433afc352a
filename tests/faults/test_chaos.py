"""Random faults one after another: for some seconds in every run, for half an hour and a million messages if long."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from tests.faults.chaos import HALF_AN_HOUR, SECONDS, chaos


@pytest.mark.timeout(1800)
@pytest.mark.parametrize(
    "layout", ["both", pytest.param("run", marks=pytest.mark.long), pytest.param("split", marks=pytest.mark.long)]
)
def test_some_seconds_of_faults(tmp_path: Path, layout: str) -> None:
    """In: 3,000 messages at QoS 1 and 8 alarms. Out: 3,000 rows and the floats', none twice, none lost; 8 told."""
    assert "8 alarms due, 8 told" in chaos(tmp_path, SECONDS, layout)


@pytest.mark.long
@pytest.mark.timeout(3 * 3600)
@pytest.mark.parametrize("layout", ["run", "split"])
def test_a_million_messages_through_half_an_hour_of_faults(tmp_path: Path, layout: str) -> None:
    """In: 1,000,000 messages at QoS 1 and 40 alarms that end again. Out: 1,000,000 rows and the floats', none twice,
    none lost; 40 beginnings and 40 ends told, none twice."""
    figures = chaos(tmp_path, HALF_AN_HOUR, layout)
    sys.stdout.write(figures + "\n")
    assert "40 alarms due, 40 told, 40 ends told, 0 told twice" in figures
