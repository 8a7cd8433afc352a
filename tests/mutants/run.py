"""Runs tests against mutants: each in a process forked for it, where the import of one module is changed.

No file is touched. A mutant is killed when a test fails, when nothing can be imported any more, or when it takes many
times the processor time of the tests as they are (it goes round for ever).
"""

from __future__ import annotations

import hashlib
import importlib
import os
import resource
import signal
import sys
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from tests.mutants.covering import (
    QUIETLY,
    Cover,
    covering,
    covers,
    entering,
    kept_covers,
    noting_codes,
    readers_of,
    stale,
    trace,
)
from tests.mutants.loading import ROOT, Instead, file_of, module_of
from tests.mutants.mutate import Mutant, mutants_of, mutated

KNOWN = Path(__file__).with_name("equivalent.txt")
HEAVY = ("numpy", "scipy.special", "scipy.stats", "scipy.optimize", "hypothesis.strategies", "msgspec", "pytest")
"""Imported once, before the forks; never our own code, or the change would come too late."""

OPTIONS = ("-x", "--whole", *QUIETLY)
"""Of pytest: the first failure is enough, and what was traced is run even where it is slow."""

CPU_TIMES, CPU_LEAST_S = 8, 60
"""How much longer than the unchanged tests a mutant may compute."""

TESTS_S = {"own": 30.0, "other": 30.0, "slow": 120.0}
"""So much of the tests that enter a function is run: of its own room, of all others, and of those marked `slow`."""

ROOMS = (
    "forecaster/segment",
    "forecaster/water",
    "forecaster/pack",
    "forecaster/maths",
    "forecaster/engine",
    "forecaster/alarms",
    "forecaster/live",
    "forecaster/discharge",
    "forecaster/sizing",
    "collector/intake.py",
    "collector/guard",
    "collector/decode",
    "collector/store",
)
"""The core: what a mutant may be taken from."""

SERVED = frozenset({"influx", "influx_points", "influx_server"})
"""Modules that only tests with a server can enter."""


@dataclass(frozen=True, slots=True)
class Verdict:
    """What became of a mutant, held against so many tests."""

    mutant: Mutant
    killed: bool
    equivalent: bool
    tests: int

    @property
    def counts(self) -> bool:
        """Whether it can be told from the program at all."""
        return not self.equivalent


def all_mutants(rooms: Iterable[str]) -> list[Mutant]:
    """Every mutant of some rooms."""
    found: list[Mutant] = []
    for room in rooms:
        for path in sources_of(room):
            found += mutants_of(module_of(path), path.read_text(encoding="utf-8"))
    return found


def sources_of(room: str) -> list[Path]:
    """The modules of a room."""
    place = ROOT / room
    return [place] if place.is_file() else sorted(path for path in place.glob("*.py") if path.stem not in SERVED)


def own_place(module: str) -> str:
    """How the paths of the tests begin that stand for a module's room."""
    house, room, *within = module.split(".")
    return f"tests/{house}/{room}/" if within else f"tests/{house}/test_{room}.py"


def asked(found: Iterable[Cover], mutant: Mutant, step: str) -> list[Cover]:
    """The tests of one step of `TESTS_S`."""
    own = own_place(mutant.module)
    return [c for c in found if (step == "slow") is c.slow and (c.slow or (step == "own") is c.test.startswith(own))]


def chosen_against(found: Sequence[Cover], mutant: Mutant, most_s: float) -> list[Cover]:
    """The tests that a mutant is held against, the quickest as long as the time lasts: the cheapest file first.

    A constant has half of the time for the tests that enter a function which reads it.
    """
    whole = covering(found, mutant.module, mutant.place)
    if mutant.constant:
        close = _quickest(entering(found, readers_of(mutant.module, mutant.constant)), most_s / 2.0)
        whole = [*close, *_quickest([c for c in whole if c not in close], most_s / 2.0)]
    else:
        whole = _quickest(whole, most_s)
    files: dict[str, list[Cover]] = {}
    for cover in whole:
        files.setdefault(cover.test.partition("::")[0], []).append(cover)
    return [cover for file in sorted(files.values(), key=lambda f: sum(c.took_s for c in f)) for cover in file]


def _quickest(found: Iterable[Cover], most_s: float) -> list[Cover]:
    """As many as the time lasts for, and one in any case."""
    chosen: list[Cover] = []
    for cover in sorted(found, key=lambda c: c.took_s):
        most_s -= cover.took_s
        if most_s < 0.0 and chosen:
            break
        chosen.append(cover)
    return chosen


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
        self._known = equivalents()

    def verdicts(self, mutants: Sequence[Mutant], jobs: int) -> Iterator[Verdict]:
        """What becomes of each, as it is known; so many at once. What no test enters has survived.

        A mutant is held against the tests of its own room, room by room; if it lives through these, against all others;
        and at last against those marked `slow`: no more test files are traced than that needs.
        """
        alive: list[Mutant] = []
        for place in sorted({own_place(mutant.module) for mutant in mutants}):
            _trace_missing([name for name in stale(kept_covers()) if name.startswith(place)])
            theirs = [mutant for mutant in mutants if own_place(mutant.module) == place]
            yield from _ended(self._held(theirs, jobs, "own"), alive)
        if alive:
            _trace_missing(stale(kept_covers()))
            waiting, alive = alive, []
            yield from _ended(self._held(waiting, jobs, "other"), alive)
        if alive:
            _trace_missing(stale(kept_covers(), slow=True), slow=True)
            yield from self._held(alive, jobs, "slow")

    def _held(self, mutants: Sequence[Mutant], jobs: int, step: str) -> Iterator[Verdict]:
        """Hold each against the tests of one step."""
        found = covers()
        running: dict[int, tuple[Mutant, int]] = {}
        waiting = list(mutants)
        while waiting or running:
            while waiting and len(running) < jobs:
                mutant = waiting.pop(0)
                tests = chosen_against(asked(found, mutant, step), mutant, TESTS_S[step])
                if tests:
                    running[_forked(mutant, tests)] = mutant, len(tests)
                else:
                    yield Verdict(mutant, False, mutant.name in self._known, 0)
            if running:
                child, status = os.wait()
                mutant, count = running.pop(child)
                killed = os.waitstatus_to_exitcode(status) != 0
                yield Verdict(mutant, killed, mutant.name in self._known, count)


def _ended(verdicts: Iterable[Verdict], alive: list[Mutant]) -> Iterator[Verdict]:
    """Those that need no further tests; what lives is put to the others."""
    for verdict in verdicts:
        if verdict.killed or verdict.equivalent:
            yield verdict
        else:
            alive.append(verdict.mutant)


def sample(mutants: Sequence[Mutant], count: int, seed: int) -> list[Mutant]:
    """So many of the mutants, by a hash of their names: a change elsewhere leaves the choice as it is, or nearly."""
    return sorted(mutants, key=lambda m: hashlib.sha256(f"{seed} {m.name}".encode()).digest())[:count]


def _trace_missing(names: Sequence[str], *, slow: bool = False) -> None:
    """Trace test files, each in a process of its own, so that nothing of the core stays imported here."""
    if names:
        noting_codes()
    for name in names:
        sys.stderr.write(f"tracing {name}{' (slow)' if slow else ''}\n")
        child = _fork()
        if child == 0:
            code = 1
            try:
                _silenced()
                trace(name, slow=slow)
                code = 0
            finally:
                os._exit(code)
        _, status = os.waitpid(child, 0)
        if status:
            raise RuntimeError(f"{name} could not be traced")


def _forked(mutant: Mutant, tests: Sequence[Cover]) -> int:
    """Start the tests against a mutant in a process of their own, and give its id."""
    child = _fork()
    if child == 0:
        usual_s = sum(cover.took_s for cover in tests)
        _as_child(mutant, [cover.test for cover in tests], round(CPU_LEAST_S + CPU_TIMES * usual_s))
    return child


def _fork() -> int:
    sys.stdout.flush()
    sys.stderr.flush()
    return os.fork()


def _silenced() -> None:
    signal.signal(signal.SIGINT, signal.SIG_DFL)
    nothing = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nothing, 1)
    os.dup2(nothing, 2)


def _as_child(mutant: Mutant, tests: Sequence[str], cpu_s: int) -> None:
    """The child's whole life: change the import, run the tests, end."""
    import pytest

    code: int = 1
    try:
        _silenced()
        resource.setrlimit(resource.RLIMIT_CPU, (cpu_s, cpu_s + 5))
        file = file_of(mutant.module)
        code_instead = compile(mutated(mutant, file.read_text(encoding="utf-8")), str(file), "exec")
        sys.meta_path.insert(0, Instead({mutant.module: code_instead}, {}))
        code = int(pytest.main([*OPTIONS, *tests]))
    finally:
        os._exit(code)
