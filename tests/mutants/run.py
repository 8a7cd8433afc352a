"""Runs the tests of a room against a mutant: in a process forked for it, where the import of one module is changed.

No file is touched. A mutant is killed when a test fails, when nothing can be imported any more, or when it takes many
times the processor time of the tests as they are (it goes round for ever).
"""

from __future__ import annotations

import ast
import hashlib
import importlib.abc
import importlib.machinery
import importlib.util
import os
import resource
import signal
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from tests.mutants.mutate import Mutant, mutants_of, mutated

ROOT = Path(__file__).resolve().parents[2]
KNOWN = Path(__file__).with_name("equivalent.txt")
HEAVY = ("numpy", "scipy.special", "scipy.stats", "scipy.optimize", "hypothesis.strategies", "msgspec", "pytest")
"""Imported once, before the forks; never our own code, or the change would come too late."""

OPTIONS = (
    "-x", "-q", "-p", "no:xdist", "-p", "no:cacheprovider", "-p", "tests.mutants.steady",
    "-W", "ignore:Module already imported:pytest.PytestAssertRewriteWarning",
)  # fmt: skip
"""Of pytest; the warning is about what was imported before the fork."""

CPU_TIMES, CPU_LEAST_S = 8, 60
"""How much longer than the unchanged tests a mutant may compute."""

ROOMS: dict[str, tuple[str, ...]] = {
    "forecaster/segment": ("tests/forecaster/segment", "tests/outside/test_intervals.py"),
    "forecaster/water": ("tests/forecaster/water", "tests/outside/test_falling_water.py"),
    "forecaster/pack": (
        "tests/forecaster/pack",
        "tests/outside/test_sun_and_charging.py",
        "tests/forecaster/engine/test_engine_pack.py",
    ),
    "forecaster/maths": ("tests/forecaster/maths", "tests/outside/test_common_practice.py"),
    "forecaster/engine": ("tests/forecaster/engine", "tests/forecaster/domain"),
    "forecaster/alarms": ("tests/forecaster/alarms",),
    "forecaster/live": ("tests/forecaster/live",),
    "forecaster/discharge": ("tests/forecaster/discharge",),
    "collector/intake.py": ("tests/collector/test_intake.py",),
}  # fmt: skip
"""The core's rooms, each with the tests that answer for it."""


@dataclass(frozen=True, slots=True)
class Verdict:
    """What became of a mutant."""

    mutant: Mutant
    killed: bool
    equivalent: bool

    @property
    def counts(self) -> bool:
        """Whether it can be told from the program at all."""
        return not self.equivalent


def all_mutants(rooms: Sequence[str]) -> list[Mutant]:
    """Every mutant of some rooms."""
    found: list[Mutant] = []
    for room in rooms:
        for path in sources_of(room):
            found += mutants_of(module_of(path), path.read_text(encoding="utf-8"))
    return found


def sources_of(room: str) -> list[Path]:
    """The modules of a room."""
    place = ROOT / room
    return [place] if place.is_file() else sorted(place.glob("*.py"))


def module_of(path: Path) -> str:
    """The dotted name of a module's file."""
    return ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")


def file_of(module: str) -> Path:
    """The file of a module."""
    path = ROOT / Path(*module.split(".")).with_suffix(".py")
    return path if path.exists() else ROOT / Path(*module.split(".")) / "__init__.py"


def room_tests(module: str) -> list[str]:
    """The tests of a module's room, those named after the module first."""
    path = file_of(module).relative_to(ROOT).as_posix()
    room = next(room for room in ROOMS if path.startswith(room))
    named = Path(path).stem
    files = [file for place in ROOMS[room] for file in _test_files(ROOT / place)]
    return [str(f.relative_to(ROOT)) for f in sorted(files, key=lambda f: (named not in f.stem, f.stem))]


def _test_files(place: Path) -> list[Path]:
    return [place] if place.is_file() else sorted(place.glob("test_*.py"))


def equivalents() -> dict[str, str]:
    """The mutants that no test can kill, each with the reason: one a line, `name | reason`."""
    lines = KNOWN.read_text(encoding="utf-8").splitlines()
    pairs = (line.rpartition(" | ") for line in lines if line and not line.startswith("#"))
    return {name.strip(): reason.strip() for name, _, reason in pairs}


class Runner:
    """Forks a process for each mutant, with everything heavy imported already."""

    def __init__(self) -> None:
        for name in HEAVY:
            importlib.import_module(name)
        self._usual_s: dict[str, float] = {}
        self._known = equivalents()

    def verdict(self, mutant: Mutant) -> Verdict:
        """Run the room's tests against it."""
        tests = room_tests(mutant.module)
        key = " ".join(sorted(tests))
        if key not in self._usual_s:
            code, took_s = _forked(None, tests, 3600)
            assert code == 0, f"the tests of {mutant.module} fail without any change: {key}"
            self._usual_s[key] = took_s
        code, _ = _forked(mutant, tests, round(CPU_LEAST_S + CPU_TIMES * self._usual_s[key]))
        return Verdict(mutant, code != 0, mutant.name in self._known)


def sample(mutants: Sequence[Mutant], share: float, seed: int) -> list[Mutant]:
    """About that share of the mutants, by a hash of their names: a change elsewhere leaves the choice as it is."""
    limit = int(share * 2**32)
    return [m for m in mutants if int(hashlib.sha256(f"{seed} {m.name}".encode()).hexdigest()[:8], 16) < limit]


def _forked(mutant: Mutant | None, tests: Sequence[str], cpu_s: int) -> tuple[int, float]:
    """Exit code of the tests in a process of their own (negative: ended by a signal), and its processor time [s]."""
    sys.stdout.flush()
    sys.stderr.flush()
    child = os.fork()
    if child == 0:
        _as_child(mutant, tests, cpu_s)
    _, status, used = os.wait4(child, 0)
    return os.waitstatus_to_exitcode(status), used.ru_utime + used.ru_stime


def _as_child(mutant: Mutant | None, tests: Sequence[str], cpu_s: int) -> None:
    """The child's whole life: change the import, run the tests, end."""
    import pytest

    code: int = 1
    try:
        signal.signal(signal.SIGINT, signal.SIG_DFL)
        resource.setrlimit(resource.RLIMIT_CPU, (cpu_s, cpu_s + 5))
        nothing = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nothing, 1)
        os.dup2(nothing, 2)
        if mutant is not None:
            tree = mutated(mutant, file_of(mutant.module).read_text(encoding="utf-8"))
            sys.meta_path.insert(0, Changed(mutant.module, tree))
        code = int(pytest.main([*OPTIONS, *tests]))
    finally:
        os._exit(code)


class Changed(importlib.abc.MetaPathFinder, importlib.abc.Loader):
    """Finds one module as it is changed, and leaves all others to the usual finders."""

    def __init__(self, module: str, tree: ast.Module) -> None:
        self._module, self._tree = module, tree

    def find_spec(self, fullname: str, *_where: object) -> importlib.machinery.ModuleSpec | None:
        """The module's spec, where it is the one."""
        if fullname != self._module:
            return None
        file = file_of(fullname)
        inside = [str(file.parent)] if file.name == "__init__.py" else None
        return importlib.util.spec_from_file_location(fullname, file, loader=self, submodule_search_locations=inside)

    def exec_module(self, module: object) -> None:
        """Run the changed text."""
        code = compile(self._tree, str(file_of(self._module)), "exec")
        exec(code, vars(module))
