"""A site's report and tables over HTTP: the same as the commands print, made in a child that ends with its reader."""

from __future__ import annotations

import asyncio
import io
import json
import subprocess
import sys
from collections.abc import AsyncGenerator, Iterator
from pathlib import Path

import psutil
import pytest
from pyarrow import parquet
from starlette.testclient import TestClient

from api.http import children
from api.http.children import MOST_CHILDREN, ChildFailedError, child_answer
from api.http.problems import ProblemError
from tests.api.serving import described, serving

SPAN = "from=2026-03-03T07:00:00Z&to=2026-03-03T11:00:00Z"
OPTIONS = ("--from", "2026-03-03T07:00:00Z", "--to", "2026-03-03T11:00:00Z")


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[TestClient, Path]]:
    folder = tmp_path_factory.mktemp("house")
    with serving(folder) as (client, _):
        described(folder)
        yield client, folder


def printed(folder: Path, *words: str) -> str:
    """What a command prints about the installation."""
    command = [sys.executable, "-m", "api", *words, "--config", str(folder)]
    return subprocess.run(command, capture_output=True, text=True, check=True).stdout


@pytest.mark.slow
def test_a_report_is_what_the_command_prints(house: tuple[TestClient, Path]) -> None:
    client, folder = house
    answer = client.get(f"/api/v1/sites/larkspur/report?{SPAN}")
    assert answer.status_code == 200, answer.text
    assert answer.json() == json.loads(printed(folder, "report", "larkspur", "--json", *OPTIONS))
    assert answer.json()["from"] == "2026-03-03T07:00:00Z"
    assert len(answer.json()["outages"]) == 1


@pytest.mark.slow
@pytest.mark.parametrize("what", ["runs", "readings"])
def test_a_table_is_what_the_command_writes(house: tuple[TestClient, Path], what: str) -> None:
    client, folder = house
    answer = client.get(f"/api/v1/sites/larkspur/export?what={what}&{SPAN}")
    assert answer.headers["content-type"] == "text/csv; charset=utf-8"
    assert answer.headers["content-disposition"] == f'attachment; filename="larkspur-{what}.csv"'
    assert answer.text == printed(folder, "export", "larkspur", "--what", what, *OPTIONS)
    assert len(answer.text.splitlines()) > 10


@pytest.mark.slow
def test_parquet_is_read_by_its_own_library(house: tuple[TestClient, Path]) -> None:
    """Read by Apache Arrow's reader (pyarrow)."""
    client, _ = house
    answer = client.get(f"/api/v1/sites/larkspur/export?what=runs&format=parquet&{SPAN}")
    table = parquet.read_table(io.BytesIO(answer.content))
    lines = client.get(f"/api/v1/sites/larkspur/export?what=runs&format=jsonl&{SPAN}").text.splitlines()
    assert table.num_rows == len(lines) > 10
    assert table.column("run_s").to_pylist() == pytest.approx([json.loads(line)["run_s"] for line in lines])


def test_a_span_without_length_is_refused_before_a_child_is_made(house: tuple[TestClient, Path]) -> None:
    client, _ = house
    answer = client.get("/api/v1/sites/larkspur/export?from=2026-03-03T07:00:00Z&to=2026-03-03T07:00:00Z")
    assert answer.status_code == 422
    assert answer.json()["detail"] == "`from` is not before `to`; ask for a span that has a length"


def no_record(folder: Path) -> None:
    """The report of an installation whose files are gone: 503, and no path of the server in it."""
    with serving(folder, outage=False) as (client, _):
        answer = client.get("/api/v1/sites/larkspur/report")
    assert answer.status_code == 503
    assert answer.json()["detail"] == "the record cannot be read at the moment; try again"


@pytest.mark.slow
def test_a_record_that_cannot_be_read_is_503_in_a_line_without_its_reason(tmp_path: Path) -> None:
    no_record(tmp_path)


def test_a_command_that_fails_at_once_is_503_without_what_it_says(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    stand_in(tmp_path, monkeypatch, f"echo {tmp_path}/outlast.toml is missing >&2; exit 2")
    no_record(tmp_path)


def stand_in(folder: Path, monkeypatch: pytest.MonkeyPatch, body: str) -> None:
    """Let children run some shell lines in place of a command."""
    program = folder / "child"
    program.write_text(f"#!/bin/sh\n{body}\n")
    program.chmod(0o755)
    monkeypatch.setattr(sys, "executable", str(program))


def test_what_fails_on_the_way_never_looks_whole(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    stand_in(tmp_path, monkeypatch, "echo first; exit 3")

    async def read(found: io.BytesIO) -> None:
        answer = await child_answer(["export"], "text/csv")
        async for chunk in answer.body_iterator:
            found.write(chunk.encode() if isinstance(chunk, str) else chunk)

    found = io.BytesIO()
    with pytest.raises(ChildFailedError, match="exit code 3"):
        asyncio.run(read(found))
    assert found.getvalue() == b"first\n"


def test_a_child_ends_with_its_reader_and_its_place_is_free(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """In: as many readers as may, one more, and all of them leave. Out: 503 for the one; no child is left behind."""
    stand_in(tmp_path, monkeypatch, "echo first; exec sleep 600")

    async def read() -> None:
        answers = [await child_answer(["export"], "text/csv") for _ in range(MOST_CHILDREN)]
        with pytest.raises(ProblemError, match="try again") as refused:
            await child_answer(["export"], "text/csv")
        assert (refused.value.status, refused.value.headers) == (503, {"Retry-After": "10"})
        for answer in answers:
            body = answer.body_iterator
            assert isinstance(body, AsyncGenerator)
            assert await anext(body) == b"first\n"
            await body.aclose()
        for _ in range(MOST_CHILDREN):
            assert children._places.acquire(blocking=False)
        children._places.release(MOST_CHILDREN)

    asyncio.run(read())
    assert psutil.wait_procs([p for p in psutil.Process().children() if "sleep" in p.name()], timeout=60.0)[1] == []
