"""What runs all day loads neither what studies need nor their queue's library: they cost seconds and megabytes."""

from __future__ import annotations

import json
import os
import subprocess
import sys

import pytest

from api.process.children import ONE_THREAD

STUDIES = {"pandas", "statsmodels"}
QUEUE = "procrastinate"
PARTS = {
    "services": (
        "api.process.process", "api.process.workers", "api.process.studies", "api.process.joining",
        "api.process.study_queue", "api.http.app",
    ),
    "commands": ("api.commands.study", "api.commands.run", "api.commands.members"),
    "trips": ("forecaster.trip.answering", "api.commands.trip"),
    "a worker of the queue": ("api.process.study_worker",),
}  # fmt: skip
"""The modules that each part imports; the last one may load the queue's library."""

LOADS = """
import json, sys
from importlib import import_module
parts, heavy = json.loads(sys.argv[1])
for modules in parts:
    for module in modules:
        import_module(module)
    print(json.dumps([name for name in heavy if name in sys.modules]))
"""


@pytest.fixture(scope="module")
def loaded() -> dict[str, set[str]]:
    """What of it is loaded once each part is, all in one process: a part that loads it is the first that has it."""
    asked = json.dumps([list(PARTS.values()), [*STUDIES, QUEUE]])
    ended = subprocess.run([sys.executable, "-c", LOADS, asked], capture_output=True, text=True, check=False)
    assert (ended.returncode, ended.stderr) == (0, "")
    return {part: set(json.loads(line)) for part, line in zip(PARTS, ended.stdout.splitlines(), strict=True)}


@pytest.mark.parametrize("part", ["services", "commands", "trips"])
def test_neither_services_nor_commands_load_what_studies_and_the_queue_need(
    loaded: dict[str, set[str]], part: str
) -> None:
    assert loaded[part] == set()


def test_a_worker_of_the_queue_has_no_libraries_of_studies(loaded: dict[str, set[str]]) -> None:
    assert loaded["a worker of the queue"] & STUDIES == set()


@pytest.mark.parametrize(("wanted", "threads"), [({}, "1"), ({"OPENBLAS_NUM_THREADS": "2"}, "2")])
def test_a_command_calculates_in_one_thread_unless_told_otherwise(wanted: dict[str, str], threads: str) -> None:
    """Its own forecasts as well as its children's: their matrices are too small to share."""
    asked = "import os; from api.cli import main; main(['--version']); print(os.environ['OPENBLAS_NUM_THREADS'])"
    set_by_others = {name: value for name, value in os.environ.items() if name not in ONE_THREAD}
    ended = subprocess.run(
        [sys.executable, "-c", asked], env={**set_by_others, **wanted}, capture_output=True, text=True, check=True
    )
    assert ended.stdout.splitlines()[-1] == threads
