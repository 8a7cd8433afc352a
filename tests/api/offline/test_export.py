"""`outlast export` as a person types it: every table in every format, read back by other libraries."""

from __future__ import annotations

import io
import json
import shutil
import sys
from pathlib import Path

import pandas as pd
import pytest

from api.cli import main
from api.offline.exporting import write
from collector.config.site_file import site_toml
from forecaster.domain.longrecord import ExportFormat, RecordTable
from forecaster.record.frames import ALARMS, DAYS, FORECASTS, INDEX, OUTAGES, RUNS
from forecaster.record.reader import STRETCH_MS, Record
from forecaster.twin.live import larkspur_site
from tests.scenario import NOW_MS, services

COLUMNS = {
    RecordTable.RUNS: RUNS,
    RecordTable.DAYS: DAYS,
    RecordTable.OUTAGES: OUTAGES,
    RecordTable.FORECASTS: FORECASTS,
    RecordTable.ALARMS: ALARMS,
}
SPAN = ("--from", "2026-02-01T00:00:00Z", "--to", "2026-03-31T00:00:00Z")
"""Some stretches before what was heard, and some after."""


@pytest.fixture
def folder(larkspur_folder: Path, tmp_path: Path) -> Path:
    goal = tmp_path / "house"
    shutil.copytree(larkspur_folder, goal)
    (goal / "outlast.toml").write_text("", encoding="utf-8")
    (goal / "sites").mkdir(exist_ok=True)
    (goal / "sites" / "larkspur.toml").write_text(site_toml(larkspur_site()), encoding="utf-8")
    return goal


def exported(folder: Path, what: RecordTable, form: str) -> bytes:
    out = folder / f"{what}.{form}"
    args = ("export", "larkspur", "--what", what, "--format", form, "--out", str(out), "--config", str(folder), *SPAN)
    assert main(args) == 0
    return out.read_bytes()


@pytest.mark.slow
@pytest.mark.parametrize("what", list(RecordTable))
def test_the_three_formats_say_the_same(folder: Path, what: RecordTable) -> None:
    as_csv = pd.read_csv(io.BytesIO(exported(folder, what, "csv")))
    lines = [json.loads(line) for line in exported(folder, what, "jsonl").splitlines()]
    arrow = pd.read_parquet(io.BytesIO(exported(folder, what, "parquet")))
    assert len(as_csv) == len(lines) == len(arrow)
    assert list(as_csv.columns) == list(arrow.columns)
    assert as_csv.columns[0] == INDEX
    if what in COLUMNS:
        assert list(as_csv.columns[1:]) == list(COLUMNS[what])
    if what in (RecordTable.READINGS, RecordTable.RUNS, RecordTable.OUTAGES, RecordTable.FORECASTS, RecordTable.ALARMS):
        assert len(lines) > 0
        assert list(lines[0]) == list(as_csv.columns)
        told = pd.to_datetime(as_csv[INDEX], format="ISO8601", utc=True)
        assert (told.to_numpy() == arrow[INDEX].to_numpy()).all()
        assert as_csv[INDEX].str.endswith("Z").all()


def test_readings_name_their_unit_and_are_those_of_the_store(folder: Path) -> None:
    table = pd.read_csv(io.BytesIO(exported(folder, RecordTable.READINGS, "csv")))
    assert {"pump_power_w", "pack_charge_percent"} <= set(table.columns)
    held = services(folder, {"larkspur": larkspur_site()})
    assert table.drop(columns=INDEX).notna().to_numpy().sum() == held.store.count("larkspur")
    held.close()


def test_a_table_in_stretches_is_the_whole_table(folder: Path) -> None:
    held = services(folder, {"larkspur": larkspur_site()})
    record = Record(held.site("larkspur"), held.store, held.ledger)
    start_ms, end_ms = NOW_MS - 3 * STRETCH_MS, NOW_MS
    parts = pd.concat(list(record.stretches("runs", start_ms, end_ms)))
    pd.testing.assert_frame_equal(parts, record.runs(start_ms, end_ms))
    assert len(parts) > 0
    held.close()


def test_without_its_library_parquet_is_one_line_and_nothing_is_left(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    goal = folder / "days.parquet"
    said = main(("export", "larkspur", "--format", "parquet", "--out", str(goal), "--config", str(folder)))
    assert said == 2
    assert "outlast[parquet]" in capsys.readouterr().err
    assert not goal.exists()
    assert not list(folder.glob(".*part"))


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("export", "elsewhere"), "elsewhere"),
        (("export", "larkspur", "--from", "2026-03-02T00:00:00Z", "--to", "2026-03-01T00:00:00Z"), "--from"),
        (("export", "larkspur", "--out", "/nowhere/at/all.csv"), "/nowhere/at/all.csv"),
        (("export", "larkspur", "--from", "yesterday"), "yesterday"),
    ],
)
def test_wrong_use_is_one_line(
    folder: Path, words: tuple[str, ...], told: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main((*words, "--config", str(folder))) == 2
    line = capsys.readouterr().err.strip()
    assert told in line
    assert "\n" not in line


def test_text_with_commas_quotes_and_lines_survives() -> None:
    odd = 'a "quote", a comma\nand a line'
    table = pd.DataFrame({"said": [odd]}, index=pd.DatetimeIndex(["2026-03-01T00:00:00Z"], name=INDEX))
    out = io.BytesIO()
    assert write([table], ExportFormat.CSV, out) == 1
    assert pd.read_csv(io.BytesIO(out.getvalue()))["said"].tolist() == [odd]
