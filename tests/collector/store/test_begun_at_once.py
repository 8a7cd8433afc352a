"""Processes that begin with the same new files at the same moment, as services do at a first start."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from tests.engines import ROOT

OPENED = """
import sys
from collector.store.open import open_ledger, open_store
owner = sys.argv[1] == "owner"
print("here", flush=True)
for line in sys.stdin:
    kind, path = line.strip().split(" ", 1)
    {"ledger": open_ledger, "readings": open_store}[kind](f"sqlite:///{path}", owner=owner).close()
    print("opened", flush=True)
"""


def said(process: subprocess.Popen[str]) -> str:
    assert process.stdout is not None
    return process.stdout.readline().strip()


def tell(process: subprocess.Popen[str], kind: str, path: Path) -> None:
    assert process.stdin is not None
    process.stdin.write(f"{kind} {path}\n")
    process.stdin.flush()


@pytest.mark.slow
def test_a_file_that_another_has_just_begun_is_not_moved_aside(tmp_path: Path) -> None:
    """In: one owner and two others, three times of each kind. Out: one file that all have opened, none beside it."""
    started = [
        subprocess.Popen(
            [sys.executable, "-c", OPENED, role], cwd=ROOT, text=True,
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
        )
        for role in ("owner", "reader", "reader")
    ]  # fmt: skip
    heard = [[said(process)] for process in started]
    turns = [(kind, tmp_path / f"{kind}-{turn}") for kind in ("ledger", "readings") for turn in range(3)]
    for kind, place in turns:
        place.mkdir()
        for process in started:
            tell(process, kind, place / "new.db")
        for process, words in zip(started, heard, strict=True):
            words.append(said(process))
        assert not list(place.glob("*corrupt*"))
    assert [process.communicate(timeout=120)[1] for process in started] == ["", "", ""]
    assert [process.returncode for process in started] == [0, 0, 0]
    assert heard == [["here", *["opened"] * len(turns)]] * 3
