"""Work done, told on the command line and over HTTP: the same record, and wrong use in one line."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from api.cli import main
from collector.config.site_file import site_toml
from forecaster.domain.longrecord import CONCERNS, HousePart, WorkKind
from forecaster.engine.document import time_ms
from forecaster.twin.live import larkspur_site
from tests.api.serving import serving

WORK = "/api/v1/sites/larkspur/work"


@pytest.fixture
def house(tmp_path: Path) -> Path:
    (tmp_path / "outlast.toml").write_text("", encoding="utf-8")
    (tmp_path / "sites").mkdir()
    (tmp_path / "sites" / "larkspur.toml").write_text(site_toml(larkspur_site()), encoding="utf-8")
    return tmp_path


def call(house: Path, *args: str) -> int:
    return main(("work", *args, "--config", str(house)))


def test_every_kind_is_told_and_listed_newest_first(house: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for month, kind in enumerate(WorkKind, start=1):
        at = f"2025-{month:02d}-03T10:00:00Z"
        assert call(house, "add", "larkspur", kind, "--at", at, "--did", f"{kind} by hand") == 0
    capsys.readouterr()
    assert call(house, "list", "larkspur", "--json") == 0
    document = json.loads(capsys.readouterr().out)
    assert document["site"] == "larkspur"
    assert [one["kind"] for one in document["work"]] == [kind.value for kind in reversed(WorkKind)]
    times = [time_ms(one["at"]) for one in document["work"]]
    assert times == sorted(times, reverse=True)
    for one in document["work"]:
        foremost = CONCERNS.get(WorkKind(one["kind"]), (None,))[0]
        assert one["part"] == (None if foremost is None else foremost.value)
        assert one["did"] == f"{one['kind']} by hand"
    assert call(house, "list", "larkspur") == 0
    lines = capsys.readouterr().out.splitlines()
    assert len(lines) == len(WorkKind)
    assert "new float: new-float by hand" in next(one for one in lines if "2025-03-03" in one)


def test_before_anything_was_done_it_says_so(house: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert call(house, "list", "larkspur") == 0
    assert "No work" in capsys.readouterr().out


def test_other_work_names_its_part(house: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert call(house, "add", "larkspur", "other", "--part", "discharge-line") == 0
    assert "discharge line" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("words", "named"),
    [
        (("add", "elsewhere", "cleaned"), "elsewhere"),
        (("add", "larkspur", "polished"), "polished"),
        (("add", "larkspur", "cleaned", "--at", "2190-01-01T00:00:00Z"), "2190"),
        (("add", "larkspur", "cleaned", "--at", "1926-01-01T00:00:00Z"), "1926"),
        (("add", "larkspur", "cleaned", "--at", "last week"), "last week"),
        (("add", "larkspur", "cleaned", "--part", "float"), "part"),
        (("add", "larkspur", "other"), "did"),
        (("add", "larkspur", "cleaned", "--did", "x" * 501), "501"),
    ],
)
def test_wrong_use_is_one_line_and_nothing_is_kept(
    house: Path, words: tuple[str, ...], named: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert call(house, *words) == 2
    line = capsys.readouterr().err.strip()
    assert named in line
    assert "\n" not in line
    assert call(house, "list", "larkspur", "--json") == 0
    assert json.loads(capsys.readouterr().out)["work"] == []


def test_over_http_it_is_told_and_listed(tmp_path: Path) -> None:
    with serving(tmp_path, outage=False) as (client, held):
        body = {"kind": "cleaned", "at": "2026-03-01T09:00:00+01:00", "did": "Screen\n cleaned"}
        answer = client.post(WORK, json=body)
        assert answer.status_code == 201, answer.text
        assert answer.json()["at"] == "2026-03-01T08:00:00Z"
        assert answer.json()["part"] == "pump-flow"
        assert answer.json()["did"] == "Screen cleaned"
        later = client.post(WORK, json={"kind": "other", "part": "float"}).json()
        assert later["at"] == later["noted"]
        assert [one["id"] for one in client.get(WORK).json()["work"]] == [later["id"], answer.json()["id"]]
        assert [work.concerns[0] for work in held.ledger.work("larkspur")] == [HousePart.FLOAT, HousePart.PUMP_FLOW]


@pytest.mark.parametrize(
    "body",
    [
        {},
        {"kind": "polished"},
        {"kind": "cleaned", "at": "2026-03-05T00:00:00Z"},
        {"kind": "cleaned", "at": "2026-03-01T00:00:00"},
        {"kind": "cleaned", "part": "float"},
        {"kind": "other"},
        {"kind": "cleaned", "did": "x" * 501},
        {"kind": "cleaned", "by": "somebody else"},
    ],
)
def test_over_http_wrong_work_is_a_problem_document(tmp_path: Path, body: dict[str, Any]) -> None:
    with serving(tmp_path, outage=False) as (client, held):
        answer = client.post(WORK, json=body)
        assert answer.status_code == 422, answer.text
        assert answer.headers["content-type"] == "application/problem+json"
        assert held.ledger.work("larkspur") == []
        assert client.post("/api/v1/sites/elsewhere/work", json={"kind": "cleaned"}).status_code == 404
