"""Processes that begin with the same new files at the same moment, as services do at a first start."""

from __future__ import annotations

import subprocess
import sys
from functools import partial
from pathlib import Path

import pytest

from tests.engines import ROOT, wait_until

OPENED = """
import sys
from functools import partial
from pathlib import Path
from collector.store.open import open_ledger, open_store
kind, place, number, owner = sys.argv[1], Path(sys.argv[2]), sys.argv[3], sys.argv[4] == "owner"
(place / f"here-{number}").touch()
while not (place / "go").exists():
    pass
opened = {"ledger": open_ledger, "readings": open_store}[kind](f"sqlite:///{place / 'new.db'}", owner=owner)
opened.close()
"""


def all_here(place: Path) -> bool:
    return len(list(place.glob("here-*"))) == 3


@pytest.mark.parametrize("kind", ["ledger", "readings"])
def test_a_file_that_another_has_just_begun_is_not_moved_aside(tmp_path: Path, kind: str) -> None:
    """In: one owner and two others, three times. Out: one file that all have opened, and none beside it."""
    for turn in range(3):
        place = tmp_path / str(turn)
        place.mkdir()
        words = [sys.executable, "-c", OPENED, kind, str(place)]
        started = [
            subprocess.Popen([*words, str(number), role], cwd=ROOT, stderr=subprocess.PIPE, text=True)
            for number, role in enumerate(("owner", "reader", "reader"))
        ]
        wait_until(partial(all_here, place), "the processes")
        (place / "go").touch()
        assert [process.communicate(timeout=120)[1] for process in started] == ["", "", ""]
        assert [process.returncode for process in started] == [0, 0, 0]
        assert not list(place.glob("*corrupt*"))
