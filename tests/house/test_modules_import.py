"""Every module of ours can be imported with the pinned requirements, on whichever Python runs this test."""

from __future__ import annotations

import subprocess
import sys

import pytest

from tests.house.test_imports import ROOT, sources

ONLY_DEVELOPED = {"api.commands.peer", "api.offline.outside.house", "api.offline.outside.swmm"}
"""Built on libraries of the development requirements: `score` with --peer or --world says so where they are missing."""

IMPORT_ALL = """
import importlib, sys
for name in sys.stdin.read().split():
    importlib.import_module(name)
    print(name)
"""


@pytest.mark.slow
def test_every_module_imports() -> None:
    """In a process of its own, so that nothing is there already; a module that a library no longer has ends it."""
    names = "\n".join(name for _, name, _ in sources("api", "collector", "forecaster") if name not in ONLY_DEVELOPED)
    command = [sys.executable, "-W", "error::ResourceWarning", "-c", IMPORT_ALL]
    done = subprocess.run(command, input=names, cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert done.stdout.split() == names.split()
