"""The zoo's figures, reckoned by hand on outcomes made up for it, and one case walked."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest

from api.cli import main
from forecaster.domain.times import YEAR_DAYS
from forecaster.score.zoo_kept import line_of, outcomes_of
from forecaster.score.zoo_report import is_gross, zoo_figures, zoo_report
from forecaster.score.zoo_walk import ZooForecast, ZooOutcome

RIGHT = ZooForecast(50.0, 10.0, (7.0, 8.0, 9.0, 10.0, 11.0, 12.0, 13.0), 11.0, "measured", ())
OUTCOME = ZooOutcome("control", "control", 1, True, (RIGHT,), 40.0, 60.0, 1, 0, 5.0, 1.0, (), ())


def test_a_gross_miss_is_outside_the_range_and_far_off() -> None:
    assert not is_gross(RIGHT)
    assert is_gross(replace(RIGHT, hours=7.5 - 1.0))
    assert not is_gross(replace(RIGHT, hours=13.1))  # outside, and 24 % off
    assert not is_gross(replace(RIGHT, hours=7.2))  # 39 % off, and inside


def test_figures_of_two_outages() -> None:
    missed = replace(RIGHT, percent=20.0, hours=5.0, degraded=("pump not heard",))
    other = replace(
        OUTCOME, seed=2, forecasts=(missed,), mains_lost_s=None, flips=3, cleared=2, lead_h=None,
        false=("low-reserve",), strange=("pump-silent",),
    )  # fmt: skip
    found = zoo_figures([OUTCOME, other])
    assert (found.outages, found.forecasts, found.gross, found.coverage, found.low_quarter) == (2, 2, 0.5, 0.5, 0.0)
    assert (found.coverage_low, found.coverage_high) == (0.0, 1.0)
    assert found.width == pytest.approx((0.4 + 0.8) / 2)
    assert found.median_error == pytest.approx((0.0 + 1.0) / 2)
    assert found.slope_error == pytest.approx((0.1 + 1.2) / 2)
    assert (found.late, found.never, found.lost_s, found.most_flips, found.cleared) == (0, 1, (40.0, 40.0), 3, 1)
    assert (found.least_lead_h, found.short_lead) == (None, 1)
    assert found.false_a_year == pytest.approx(YEAR_DAYS / 2)
    assert (found.strange, found.degraded) == ({"pump-silent": 1}, {"pump not heard": 1})


def test_pools_part_what_still_arrives_from_what_does_not() -> None:
    told = zoo_report([OUTCOME, replace(OUTCOME, row="plug-dies", still_known=False)])
    assert list(told.rows) == ["control", "plug-dies"]
    assert {name: figures.outages for name, figures in told.pooled.items()} == {
        "all": 2, "charge and energy arrive": 1, "one of them does not": 1,
    }  # fmt: skip


@pytest.mark.slow
def test_the_command_prints_a_row_and_its_json(capsys: pytest.CaptureFixture[str]) -> None:
    """In the small house itself, where all is well, the range holds what comes and the alarms are in time."""
    asked = ["score", "--zoo", "--rows", "control-on-change", "--seeds", "1", "--seed", "0", "--workers", "1"]
    assert main([*asked, "--json"]) == 0
    row = json.loads(capsys.readouterr().out)["rows"]["control-on-change"]
    assert (row["forecasts"], row["gross"], row["late"], row["never"], row["cleared"]) == (7, 0.0, 0, 0, 0)
    assert row["most_flips"] == 1
    assert row["least_lead_h"] > 1.0
    assert main(["score", "--zoo", "--rows", "nonsense"]) == 2
    assert "take all, a group" in capsys.readouterr().err


@pytest.mark.slow
def test_a_walk_that_was_stopped_goes_on_and_files_are_pooled(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """What stands in the file is not walked again, half a line of a killed walk is, and files put together are one."""
    one, other, both = (tmp_path / name for name in ("one.jsonl", "other.jsonl", "both.jsonl"))
    shorter = replace(OUTCOME, seed=0, mains_lost_s=7.0)
    one.write_bytes(
        line_of(replace(OUTCOME, row="control-on-change", seed=0, mains_lost_s=11.0)) + line_of(shorter)[:30]
    )
    other.write_bytes(line_of(shorter))
    both.write_bytes(one.read_bytes()[: -len(line_of(shorter)[:30])] + other.read_bytes())
    asked = ["score", "--zoo", "--rows", "control", "--seeds", "1", "--seed", "0", "--workers", "1", "--json", "--keep"]
    assert main([*asked, str(both)]) == 0
    assert json.loads(capsys.readouterr().out)["rows"]["control"]["lost_s"] == [7.0, 7.0]
    assert main([*asked, str(one)]) == 0
    walked = json.loads(capsys.readouterr().out)["rows"]["control"]
    assert walked["forecasts"] == 7
    kept = outcomes_of(one.read_bytes(), "one")
    assert [kept["control-on-change", 0].mains_lost_s, len(kept["control", 0].forecasts)] == [11.0, 7]
    assert all(type(reason) is str for said in kept["control", 0].forecasts for reason in said.degraded)
    assert any(said.degraded for said in kept["control", 0].forecasts)
    before = one.read_bytes()
    assert main([*asked, str(one)]) == 0
    assert json.loads(capsys.readouterr().out)["rows"]["control"] == walked
    assert one.read_bytes() == before


def test_a_line_that_is_no_outcome_is_refused_with_its_number(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    kept = tmp_path / "kept.jsonl"
    kept.write_bytes(line_of(OUTCOME) + b'{"row": "control"}\n')
    assert main(["score", "--zoo", "--rows", "control", "--seeds", "1", "--keep", str(kept)]) == 2
    assert "line 2" in capsys.readouterr().err
    assert kept.read_bytes() == line_of(OUTCOME) + b'{"row": "control"}\n'
