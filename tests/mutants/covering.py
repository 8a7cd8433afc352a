"""Which tests enter which functions of the core, so that a mutant is held against those alone.

For that the modules of the core are loaded with one more line in each function, which notes that it was entered (a
tracer of the interpreter would be asked at every call of every library). The tests are traced once, a file at a time
and each in a process of its own; what was seen is kept in the checkout as soon as the file is done, so that a run which
is ended goes on where it stopped, and is traced anew when the file has changed. The tests marked `slow` are traced by
themselves. A test that starts a server, one marked `long`, and one that computes too long is left out.
"""

from __future__ import annotations

import ast
import hashlib
import json
import re
import signal
import sys
import time
from collections.abc import Generator, Iterable
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from types import CodeType, FrameType
from typing import Any

import pytest

from tests.mutants.loading import ROOT, Instead, module_of
from tests.needs import programs_of

KEPT = ROOT / ".mutants.json"
PLACES = ("tests/forecaster", "tests/collector", "tests/outside", "tests/faults", "tests/house", "tests/api")
"""Where tests enter the core: its own, the walks of faults, the handbook's reference, and those of the faces."""

CORE = ("forecaster", "collector")
LONGEST_S = {False: 5.0, True: 60.0}
"""A test that computes longer than this is ended there and left out: of the plain run, and of those marked `slow`."""

_SLOW = re.compile(r"mark\.slow\b")


QUIETLY = (
    "-q", "-p", "no:xdist", "-p", "no:cacheprovider", "-p", "tests.mutants.steady",
    "-W", "ignore:Module already imported:pytest.PytestAssertRewriteWarning",
)  # fmt: skip
"""Options of pytest; the warning is about what was imported before the fork."""


NOTES = "__entered__"
"""What the modules call to note that a function was entered."""


class TooSlowError(BaseException):
    """Ends a test that computes too long; no `Exception`, or Hypothesis would look for a smaller example."""


@dataclass(frozen=True, slots=True)
class Cover:
    """What one test enters.

    test : str — its name as pytest takes it, without parameters
    took_s : float — with all its parameters
    entered : frozenset of str — functions, `module:qualified.name`
    slow : bool — marked so: left out of a plain run
    """

    test: str
    took_s: float
    entered: frozenset[str]
    slow: bool = False


def files_of_tests() -> list[Path]:
    """Every file that may hold a test of the core."""
    return sorted(path for place in PLACES for path in (ROOT / place).rglob("test_*.py"))


def digest(path: Path) -> str:
    """Tells one text of a file from another."""
    return hashlib.sha256(path.read_bytes()).hexdigest()[:16]


def stale(kept: dict[str, Any], *, slow: bool = False) -> list[str]:
    """The test files whose plain tests, or whose slow ones, were never traced, or not as they are now."""
    names = slow_files() if slow else [path.relative_to(ROOT).as_posix() for path in files_of_tests()]
    return [name for name in names if kept.get(name, {}).get(_part(slow=slow), {}).get("digest") != digest(ROOT / name)]


@cache
def files_importing(module: str) -> frozenset[str]:
    """The test files that import a module of the core by its name, at their beginning."""
    package, _, name = module.rpartition(".")
    return frozenset(
        file
        for file, node in _imports_naming(name)
        if node.module == module or (node.module == package and any(one.name == name for one in node.names))
    )


@cache
def files_using(room: str) -> frozenset[str]:
    """The test files that import anything of a package of the core, at their beginning."""
    return frozenset(file for file, node in _imports_naming(room) if f"{node.module}.".startswith(f"{room}."))


def _imports_naming(name: str) -> Generator[tuple[str, ast.ImportFrom]]:
    """The imports at the beginning of each test file in which a name stands anywhere."""
    for path in files_of_tests():
        text = path.read_text(encoding="utf-8")
        if name in text:
            for node in ast.parse(text).body:
                if isinstance(node, ast.ImportFrom):
                    yield path.relative_to(ROOT).as_posix(), node


def slow_files() -> list[str]:
    """The test files that hold a test marked `slow`."""
    marked = (path for path in files_of_tests() if _SLOW.search(path.read_text(encoding="utf-8")))
    return [path.relative_to(ROOT).as_posix() for path in marked]


def _part(*, slow: bool) -> str:
    return "slow" if slow else "plain"


def kept_covers() -> dict[str, Any]:
    """What earlier runs have kept: of each test file its plain tests, and its slow ones."""
    return json.loads(KEPT.read_text(encoding="utf-8")) if KEPT.exists() else {}


def covers() -> list[Cover]:
    """All that is kept, of files that are still there."""
    present = {path.relative_to(ROOT).as_posix() for path in files_of_tests()}
    return [
        Cover(test, seen["took_s"], frozenset(seen["entered"]), slow)
        for name, file in kept_covers().items()
        if name in present
        for slow in (False, True)
        for test, seen in file.get(_part(slow=slow), {}).get("tests", {}).items()
    ]


def covering(found: Iterable[Cover], module: str, place: str) -> list[Cover]:
    """The tests that enter a function, or where nothing enters it as such (a constant), anything of its module."""
    listed = list(found)
    inside = [c for c in listed if f"{module}:{place}" in c.entered]
    return inside or [c for c in listed if any(name.startswith(f"{module}:") for name in c.entered)]


def entering(found: Iterable[Cover], functions: frozenset[str]) -> list[Cover]:
    """The tests that enter one of these functions."""
    return [c for c in found if not functions.isdisjoint(c.entered)]


@cache
def readers_of(module: str, constant: str) -> frozenset[str]:
    """The functions that read a constant by its name, in its own module or in one that imports it by that name."""
    return frozenset(
        f"{place}:{function}"
        for place, text in _texts().items()
        if constant in text
        for tree in [_tree(place)]
        if place == module or _imports(tree, module, constant)
        for function in _reading(tree, constant, "")
    )


@cache
def _texts() -> dict[str, str]:
    return {module: path.read_text(encoding="utf-8") for module, path in _files().items()}


@cache
def _tree(module: str) -> ast.Module:
    return ast.parse(_texts()[module])


def _files() -> dict[str, Path]:
    return {module_of(path): path for house in CORE for path in (ROOT / house).rglob("*.py")}


def _imports(tree: ast.Module, module: str, constant: str) -> bool:
    return any(
        isinstance(node, ast.ImportFrom) and node.module == module and any(name.name == constant for name in node.names)
        for node in ast.walk(tree)
    )


def _reading(node: ast.AST, constant: str, before: str) -> Generator[str]:
    for child in ast.iter_child_nodes(node):
        if isinstance(child, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
            name = f"{before}{child.name}"
            if not isinstance(child, ast.ClassDef) and any(
                isinstance(part, ast.Name) and part.id == constant for part in ast.walk(child)
            ):
                yield name
            yield from _reading(child, constant, f"{name}.")


class Notes:
    """What the functions of the core note that are entered, of modules imported from now on in this process.

    into : set of str — where it is noted, until another set is put there
    """

    def __init__(self, codes: dict[str, CodeType]) -> None:
        self.into: set[str] = set()
        sys.meta_path.insert(0, Instead(codes, {NOTES: self._entered}))

    def _entered(self, name: str) -> None:
        self.into.add(name)


class Tracer:
    """A pytest plugin that notes the functions of the core that each test enters, and how long it takes.

    What a fixture of more than one test does is counted for every test of the file.
    """

    def __init__(self, notes: Notes, *, slow: bool) -> None:
        self._slow = slow
        self._notes = notes
        self._of_test: dict[str, set[str]] = {}
        self._of_file: dict[str, set[str]] = {}
        self._took_s: dict[str, float] = {}
        self._unfit: set[str] = set()
        signal.signal(signal.SIGPROF, _ended)

    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        """Leave out what starts a server, and what the other tracing is for."""
        marked = [(item, item.get_closest_marker("slow") is not None) for item in items]
        items[:] = [item for item, slow in marked if slow is self._slow and not programs_of(item)]

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> Generator[None, Any, Any]:
        """Trace a whole test, its fixtures included."""
        self._notes.into = self._of_test.setdefault(_name(item), set())
        took_s = self._took_s.get(_name(item), 0.0)
        began = time.process_time()
        signal.setitimer(signal.ITIMER_PROF, max(0.001, LONGEST_S[self._slow] - took_s))
        try:
            return (yield)
        finally:
            signal.setitimer(signal.ITIMER_PROF, 0.0)
            self._took_s[_name(item)] = took_s + time.process_time() - began

    @pytest.hookimpl(wrapper=True)
    def pytest_fixture_setup(self, fixturedef: pytest.FixtureDef[Any], request: pytest.FixtureRequest) -> Any:
        """What a shared fixture enters belongs to the whole file."""
        before = self._notes.into
        if fixturedef.scope != "function":
            self._notes.into = self._of_file.setdefault(_file(request.node.nodeid), set())
        try:
            return (yield)
        finally:
            self._notes.into = before

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        """A test that fails as things are cannot kill a mutant."""
        if not report.passed:
            self._unfit.add(report.nodeid.partition("[")[0])

    def unfit(self) -> list[str]:
        """The tests that fail as things are, or compute too long."""
        return [t for t in self._of_test if t in self._unfit or self._took_s[t] > LONGEST_S[self._slow]]

    def seen(self) -> dict[str, dict[str, Any]]:
        """Of each file its tests, with what they took and what they entered."""
        files: dict[str, dict[str, Any]] = {}
        unfit = self.unfit()
        for test, names in self._of_test.items():
            if test not in unfit:
                entered = sorted(names | self._of_file.get(_file(test), set()))
                files.setdefault(_file(test), {})[test] = {"took_s": round(self._took_s[test], 3), "entered": entered}
        return files


@cache
def noting_codes() -> dict[str, CodeType]:
    """Every module of the core, noting the functions that are entered; made once, before a process is forked."""
    return {
        module: compile(noting(module, path.read_text(encoding="utf-8")), str(path), "exec")
        for module, path in _files().items()
    }


def noting(module: str, source: str) -> ast.Module:
    """A module whose functions begin with the note that they were entered, after their docstring."""
    tree = ast.parse(source)
    _note(tree, f"{module}:")
    return ast.fix_missing_locations(tree)


def _note(node: ast.AST, before: str) -> None:
    for child in ast.iter_child_nodes(node):
        if not isinstance(child, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
            _note(child, before)
            continue
        name = f"{before}{child.name}"
        _note(child, f"{name}.")
        if not isinstance(child, ast.ClassDef):
            call = ast.Call(ast.Name(NOTES, ast.Load()), [ast.Constant(name)], [])
            note = ast.copy_location(ast.Expr(call), child.body[0])
            child.body.insert(0 if ast.get_docstring(child) is None else 1, note)


def _ended(_number: int, _frame: FrameType | None) -> None:
    raise TooSlowError


def _name(item: pytest.Item) -> str:
    return item.nodeid.partition("[")[0]


def _file(nodeid: str) -> str:
    return nodeid.partition("::")[0]


def trace(name: str, notes: Notes, *, slow: bool = False) -> list[str]:
    """Run the plain tests of a file, or its slow ones, and keep what they entered; meant for a process of its own.

    It gives those that cannot be asked, because they fail as things are or compute too long. RuntimeError where pytest
    cannot run the file.
    """
    tracer = Tracer(notes, slow=slow)
    code = pytest.main([*QUIETLY, *(["--whole"] if slow else []), name], [tracer])
    if code not in {pytest.ExitCode.OK, pytest.ExitCode.TESTS_FAILED, pytest.ExitCode.NO_TESTS_COLLECTED}:
        raise RuntimeError(f"{name}: {code!r}")
    kept = kept_covers()
    seen = {"digest": digest(ROOT / name), "tests": tracer.seen().get(name, {})}
    kept[name] = kept.get(name, {}) | {_part(slow=slow): seen}
    whole = KEPT.with_suffix(".new")
    whole.write_text(json.dumps(kept), encoding="utf-8")
    whole.replace(KEPT)
    return tracer.unfit()
