"""`outlast health` and GET /health: one document from the newest study, in the promised shape, and its exit code."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from fastapi.testclient import TestClient

from api.cli import main
from api.http.app import create_app
from api.process.services import Services
from collector.config.site_file import site_toml
from forecaster.domain.errors import StoreUnavailable
from forecaster.domain.longrecord import HousePart, PartState
from forecaster.domain.records import Checkpoint
from forecaster.domain.site import RainTable
from forecaster.domain.times import DAY_MS
from forecaster.engine import Engine
from forecaster.engine.document import time_ms, time_text
from forecaster.engine.packing import packed
from forecaster.health.season import study_season
from forecaster.health.storm import study_storm
from forecaster.health.studying import study_health
from forecaster.maths.arrays import Array
from forecaster.twin.live import larkspur_site
from forecaster.water.design import Response, alternating_blocks
from tests.api.serving import LOOPBACK
from tests.forecaster.health.world import START_MS, Sampling, Truth, record
from tests.forecaster.water.rained import GAIN, TAU_H, rained_on
from tests.scenario import HeldClock, services

DAYS = 150
NOW_MS = START_MS + DAYS * DAY_MS
HEALTH = "/api/v1/sites/larkspur/health"


@pytest.fixture
def held(tmp_path: Path) -> Iterator[Services]:
    (tmp_path / "outlast.toml").write_text("", encoding="utf-8")
    (tmp_path / "sites").mkdir()
    (tmp_path / "sites" / "larkspur.toml").write_text(site_toml(larkspur_site()), encoding="utf-8")
    made = services(tmp_path, {"larkspur": larkspur_site()}, clock=HeldClock(NOW_MS))
    yield made
    made.close()


def lived(
    held: Services, flow: Callable[[Array], Array] | None = None, sampling: Sampling = Sampling.ON_CHANGE
) -> None:
    """A record of DAYS days in the ledger, studied."""
    truth = Truth() if flow is None else replace(Truth(), flow=flow)
    held.ledger.save_days(record(truth, sampling, DAYS, np.random.default_rng(5)))
    study_health(larkspur_site(), held.ledger, NOW_MS)
    study_storm(larkspur_site(), held.ledger, NOW_MS)
    study_season(larkspur_site(), held.ledger, NOW_MS)


def clogged(day: Array) -> Array:
    """40 % less within two weeks from day 130 on."""
    return 1.0 - 0.4 * np.clip((day - 130.0) / 14.0, 0.0, 1.0)


def call(held: Services, *args: str) -> int:
    return main(("health", "larkspur", *args, "--config", str(held.installation.folder)))


def document(held: Services, capsys: pytest.CaptureFixture[str]) -> dict[str, Any]:
    call(held, "--json")
    found: dict[str, Any] = json.loads(capsys.readouterr().out)
    return found


def test_a_clogged_line_is_told_with_its_date_and_asks_for_something_to_be_done(
    held: Services, capsys: pytest.CaptureFixture[str]
) -> None:
    lived(held, clogged)
    assert call(held) == 1
    assert "discharge line: Flow fell by" in capsys.readouterr().out
    parts = {part["part"]: part for part in document(held, capsys)["parts"]}
    line, flow = parts["discharge-line"], parts["pump-flow"]
    assert (line["state"], flow["state"]) == ("act", "act")
    assert abs(_day(line["since"]) - 130) <= 5
    assert flow["change"]["p10"] <= -0.4 <= flow["change"]["p90"] + 0.02
    assert flow["baseline"]["unit"] == "L/min"
    assert parts["float"]["state"] == "good"


def _day(text: str) -> float:
    return (time_ms(text) - START_MS) / DAY_MS


def test_the_shape_is_the_promised_one(held: Services, capsys: pytest.CaptureFixture[str]) -> None:
    lived(held)
    assert call(held) == 0
    capsys.readouterr()
    found = document(held, capsys)
    assert found["as_of"] == time_text(NOW_MS)
    assert [part["part"] for part in found["parts"]] == [part.value for part in HousePart]
    for part in found["parts"]:
        assert set(part) == {
            "part", "state", "baseline", "now", "change", "since", "predicted", "says", "do"
        }  # fmt: skip
        assert part["state"] in {state.value for state in PartState}
        assert set(part["baseline"]) == {"value", "unit", "since"}
        assert set(part["now"]) == {"value", "low", "high"}
        assert set(part["change"]) == {"p10", "p50", "p90"}
    assert {"site", "as_of", "parts", "storm", "work"} <= set(found)


def test_http_tells_the_same(held: Services, capsys: pytest.CaptureFixture[str]) -> None:
    lived(held, clogged)
    with TestClient(create_app(held), base_url=LOOPBACK) as client:
        answer = client.get(HEALTH)
    assert answer.status_code == 200
    assert answer.json() == document(held, capsys)


@pytest.mark.parametrize("sampling", [Sampling.THIRTY, Sampling.COUNTER])
def test_what_a_sampling_cannot_tell_is_unknown(
    held: Services, sampling: Sampling, capsys: pytest.CaptureFixture[str]
) -> None:
    """Runs of 12 s seen every 30 s, or only by their energy: fault and water look alike."""
    lived(held, clogged, sampling)
    parts = {part["part"]: part["state"] for part in document(held, capsys)["parts"]}
    assert [parts[name] for name in ("pump-flow", "float", "check-valve", "discharge-line")] == ["unknown"] * 4


def test_before_the_first_study_it_says_so(held: Services, capsys: pytest.CaptureFixture[str]) -> None:
    assert call(held) == 1
    assert "outlast study larkspur" in capsys.readouterr().out
    found = document(held, capsys)
    assert (found["as_of"], found["parts"]) == (None, [])


def test_a_failed_study_leaves_the_old_results_and_says_so(
    held: Services, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    lived(held, clogged)
    before = document(held, capsys)

    def fails(*_: object) -> None:
        raise StoreUnavailable("the disk is away")

    monkeypatch.setattr("api.process.study_making.study_health", fails)
    folder = str(held.installation.folder)
    assert main(("study", "larkspur", "--at", time_text(NOW_MS + DAY_MS), "--config", folder)) == 1
    capsys.readouterr()
    after = document(held, capsys)
    assert "the disk is away" in after["failed"]
    assert {**after, "failed": None} == before


def test_the_storm_margin_stands_beside_the_parts(held: Services, capsys: pytest.CaptureFixture[str]) -> None:
    lived(held)
    assert call(held) == 0
    assert "storms: Under a year on record (150 days)" in capsys.readouterr().out
    storm = document(held, capsys)["storm"]
    assert 0.0 < storm["worst_hour_of_pump"] <= 1.0
    assert storm["worst_six_hours_of_pump"] <= storm["worst_hour_of_pump"]
    assert storm["return_levels"]
    for level in storm["return_levels"]:
        assert set(level) == {"years", "of_pump", "minutes_to_floor"}
        assert set(level["of_pump"]) == {"p10", "p50", "p90"}
    assert not {"draws", "codes"} & set(storm)


DEPTHS_MM = ((25.0, 35.0, 42.0), (40.0, 60.0, 72.0), (60.0, 85.0, 99.0))
RAIN_TABLE = RainTable((2.0, 10.0, 25.0), (1.0, 6.0, 24.0), DEPTHS_MM)


def test_the_storm_margin_by_the_owners_rain_table(held: Services, capsys: pytest.CaptureFixture[str]) -> None:
    """By `outlast study` itself: the site file's table, and the pit's answer to rain from the engine's checkpoint."""
    lived(held)
    by_record = document(held, capsys)["storm"]
    site = replace(larkspur_site(), rain_table=RAIN_TABLE)
    folder = held.installation.folder
    (folder / "sites" / "larkspur.toml").write_text(site_toml(site), encoding="utf-8")
    state = json.loads(Engine(site).snapshot())
    state["models"]["inflow"] = rained_on().state()
    kept = Checkpoint("larkspur", None, NOW_MS, packed(json.dumps(state).encode()))
    held.ledger.save_checkpoints("engine", [kept])
    assert main(("study", "larkspur", "--at", time_text(NOW_MS), "--config", str(folder))) == 0
    capsys.readouterr()
    storm = document(held, capsys)["storm"]
    assert (by_record["levels_from"], storm["levels_from"]) == ("record", "rain-table")
    truth = Response(np.array([GAIN]), np.array([TAU_H]), 9.0)
    blocks = alternating_blocks(np.array(RAIN_TABLE.hours), np.array([row[1] for row in RAIN_TABLE.depths_mm]))
    for name, hours in (("return_levels", 1.0), ("return_levels_six_hours", 6.0)):
        level = next(one for one in storm[name] if one["years"] == 10.0)["of_pump"]
        assert level["p10"] <= float(truth.worst(blocks, hours)[0]) + 0.03 <= level["p90"]
    call(held)
    said = capsys.readouterr().out
    assert said.count("your rain table") == said.count("in its worst hour") == 1
    with TestClient(create_app(held), base_url=LOOPBACK) as client:
        assert client.get(HEALTH).json()["storm"] == storm


def test_the_season_stands_beside_the_parts(held: Services, capsys: pytest.CaptureFixture[str]) -> None:
    """The world's base is 5 of 150 L/min; no month's usual day is far from that share."""
    lived(held)
    assert call(held) == 0
    assert "season: Under a year on record (150 days)" in capsys.readouterr().out
    season = document(held, capsys)["season"]
    assert [month["month"] for month in season["months"]] == list(range(1, 13))
    for month in season["months"]:
        low, middle, high = (month["of_pump"][level] for level in ("p10", "p50", "p90"))
        assert 0.0 <= low <= middle <= high
    seen = [month["of_pump"]["p50"] for month in season["months"][3:7]]
    assert all(5.0 / 150.0 / 2.0 <= middle <= 3.0 * 5.0 / 150.0 for middle in seen)
    assert season["ten_mm"] is None
    assert not {"draws", "codes"} & set(season)
