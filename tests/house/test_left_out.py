"""What a plain run of the tests leaves out is counted and said, and ./deploy/test and CI leave none of it out."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests.house.test_imports import ROOT

pytest_plugins = "pytester"

TESTS = """
import pytest

def test_quick(): pass

@pytest.mark.slow
@pytest.mark.parametrize("one", range(3))
def test_slow(one): pass

@pytest.mark.long
@pytest.mark.slow
def test_long(): pass
"""


@pytest.fixture
def tests(pytester: pytest.Pytester, monkeypatch: pytest.MonkeyPatch) -> pytest.Pytester:
    """A folder with tests of each mark, under the rules of this one."""
    monkeypatch.delenv("CI", raising=False)
    pytester.makeconftest((ROOT / "tests" / "conftest.py").read_text(encoding="utf-8"))
    pytester.makeini("[pytest]\nmarkers =\n  slow\n  long\n  servers\n")
    pytester.makepyfile(TESTS)
    return pytester


@pytest.mark.parametrize(
    ("options", "ci", "ran", "said"),
    [
        ([], "", 1, "Left out: 4 marked slow (--whole runs them)."),
        (["--whole"], "", 4, "Left out: 1 marked long (--long runs them)."),
        ([], "true", 4, "Left out: 1 marked long (--long runs them)."),
        (["--long"], "", 5, ""),
    ],
)
def test_what_is_left_out_is_counted(
    tests: pytest.Pytester, monkeypatch: pytest.MonkeyPatch, options: list[str], ci: str, ran: int, said: str
) -> None:
    if ci:
        monkeypatch.setenv("CI", ci)
    done = tests.runpytest_inprocess("-p", "no:cacheprovider", *options)
    done.assert_outcomes(passed=ran, deselected=5 - ran)
    assert [line for line in done.outlines if line.startswith("Left out")] == ([said] if said else [])


@pytest.mark.slow
def test_workers_tell_what_they_left_out(tests: pytest.Pytester, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PYTHONPATH", str(ROOT))
    done = tests.runpytest_subprocess("-p", "no:cacheprovider", "--numprocesses", "1")
    assert "Left out: 4 marked slow (--whole runs them)." in done.outlines


@pytest.mark.parametrize("script", ["test", "pythons"])
def test_the_whole_run_leaves_no_slow_test_out(script: str) -> None:
    runs = [
        line for line in (ROOT / "deploy" / script).read_text(encoding="utf-8").splitlines() if "-m pytest " in line
    ]
    assert [line for line in runs if "echo" not in line]
    assert all(" --whole " in line for line in runs if "echo" not in line)
    assert (ROOT / ".ci" / "run").read_text(encoding="utf-8").rstrip().endswith("exec ./deploy/test")


def test_slow_is_the_exception() -> None:
    """A change that is tested by slow tests alone would pass a newcomer's first hour whatever it breaks."""
    texts = [path.read_text(encoding="utf-8") for path in Path(ROOT / "tests").rglob("test_*.py")]
    marked = sum(len(re.findall(r"^@pytest\.mark\.slow$|marks=pytest\.mark\.slow", text, re.M)) for text in texts)
    written = sum(len(re.findall(r"^def test_", text, re.M)) for text in texts)
    assert 0 < marked < 0.06 * written
