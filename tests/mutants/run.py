"""Runs tests against mutants: each in a process forked for it, where the import of one module is changed.

No file is touched. A mutant is killed when a test fails, when nothing can be imported any more, or when it takes many
times the processor time of the tests as they are (it goes round for ever), and the same tests up to that one pass of
the program as it is.
"""

from __future__ import annotations

import hashlib
import importlib
import os
import sys
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from importlib.metadata import entry_points
from pathlib import Path

from tests.mutants.covering import (
    Cover,
    covering,
    covers,
    entering,
    files_importing,
    files_of_tests,
    files_using,
    kept_covers,
    readers_of,
    slow_files,
    stale,
)
from tests.mutants.forking import Warm, begun, run_tests, told
from tests.mutants.loading import ROOT, Instead, file_of, module_of
from tests.mutants.mutate import Mutant, mutants_of, mutated

KNOWN = Path(__file__).with_name("equivalent.txt")
HEAVY = ("numpy", "scipy.special", "scipy.stats", "scipy.optimize", "hypothesis.strategies", "msgspec", "pytest")
"""Imported once, before the forks; never our own code, or the change would come too late."""

CPU_TIMES, CPU_LEAST_S = 8, 60
"""How much longer than the unchanged tests a mutant may compute."""

TESTS_S = {"own": 30.0, "near": 30.0, "other": 30.0, "slow": 120.0}
"""So much of the tests that enter a function is run: of its own room, of other files that import its module by name,
of each lot of all others, and of those marked `slow`.
"""

LOT = 40
"""So many other files are traced before the mutants that live are held against their tests."""

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

SERVED = frozenset({"influx", "influx_points", "influx_server", "ledger_months"})
"""Modules that only tests with a server can enter."""


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


def step_of(cover: Cover, mutant: Mutant) -> str:
    """In which step of `TESTS_S` a mutant is held against a test."""
    if cover.slow:
        return "slow"
    if cover.test.startswith(own_place(mutant.module)):
        return "own"
    return "near" if cover.test.partition("::")[0] in files_importing(mutant.module) else "other"


def asked(found: Iterable[Cover], mutant: Mutant, step: str) -> list[Cover]:
    """The tests of one step of `TESTS_S`."""
    return [cover for cover in found if step_of(cover, mutant) == step]


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


def chosen_of_files(
    found: Sequence[Cover], names: Collection[str], mutant: Mutant, step: str, left_s: float
) -> list[Cover]:
    """The tests of some files in one step, as long as its time lasts; where any enters the function, those alone."""
    entered = any(mutant.function in cover.entered for cover in found)
    listed = [
        cover
        for cover in asked(found, mutant, step)
        if cover.test.partition("::")[0] in names and (mutant.function in cover.entered or not entered)
    ]
    return chosen_against(listed, mutant, left_s) if left_s > 0.0 else []


def lots(names: Sequence[str], untraced: Collection[str], close: Collection[str]) -> list[list[str]]:
    """Test files as mutants meet them: all that are traced, then the others, the close ones first."""
    ordered = sorted((name for name in names if name in untraced), key=lambda name: name not in close)
    traced = [name for name in names if name not in untraced]
    return [traced, *(ordered[at : at + LOT] for at in range(0, len(ordered), LOT))]


def equivalents() -> dict[str, str]:
    """The mutants that no test can kill, each with the reason: one a line, `name | reason`."""
    lines = KNOWN.read_text(encoding="utf-8").splitlines()
    pairs = (line.rpartition(" | ") for line in lines if line and not line.startswith("#"))
    return {name.strip(): reason.strip() for name, _, reason in pairs}


@dataclass(frozen=True, slots=True)
class Held:
    """A mutant that is held against tests, in a process of its own."""

    mutant: Mutant
    tests: Sequence[Cover]
    told: int


class Runner:
    """Forks a process for each mutant, with everything heavy imported already."""

    def __init__(self) -> None:
        for name in HEAVY:
            importlib.import_module(name)
        for plugin in entry_points(group="pytest11"):
            plugin.load()
        self._known = equivalents()
        self._warm = Warm(module_of(path) for room in ROOMS for path in sources_of(room))
        self._unfit: set[str] = set()

    def verdicts(self, mutants: Sequence[Mutant], jobs: int) -> Iterator[Verdict]:
        """What becomes of each, as it is known; so many at once. What no test enters has survived.

        A mutant is held against the tests of its own room, room by room; if it lives through these, against those that
        import its module, then all others, lot by lot, and at last those marked `slow`, file by file: no more is traced
        than that needs.
        """
        alive: list[Mutant] = []
        for place in sorted({own_place(mutant.module) for mutant in mutants}):
            self._trace_missing([name for name in stale(kept_covers()) if name.startswith(place)])
            theirs = [mutant for mutant in mutants if own_place(mutant.module) == place]
            yield from _ended(self.held(theirs, jobs, self._of_step("own")), alive)
        near = {name for mutant in alive for name in files_importing(mutant.module)}
        self._trace_missing([name for name in stale(kept_covers()) if name in near])
        waiting, alive = alive, []
        yield from _ended(self.held(waiting, jobs, self._of_step("near")), alive)
        yield from self._by_lots(alive, jobs)
        yield from self._slowly(alive, jobs)

    def _by_lots(self, alive: list[Mutant], jobs: int) -> Iterator[Verdict]:
        """Hold them against all other tests until all are killed, and leave those that are not in the list.

        To trace a file costs more than to hold mutants against its tests: a lot is traced once those before were met.
        """
        names = [path.relative_to(ROOT).as_posix() for path in files_of_tests()]
        close = {name for mutant in alive for name in files_using(mutant.module.rpartition(".")[0])}
        for lot in lots(names, stale(kept_covers()), close):
            if alive:
                self._trace_missing([name for name in stale(kept_covers()) if name in lot])
                waiting = list(alive)
                alive.clear()
                yield from _ended(self.held(waiting, jobs, self._of_lot(lot)), alive)

    def _slowly(self, alive: list[Mutant], jobs: int) -> Iterator[Verdict]:
        """Hold them against the tests marked `slow`, those of their own rooms first, until all are killed."""
        left_s = dict.fromkeys(alive, TESTS_S["slow"])
        rooms = tuple({own_place(mutant.module) for mutant in alive})
        for name in sorted(slow_files(), key=lambda name: not name.startswith(rooms)):
            if not left_s:
                return
            self._trace_missing([name] if name in stale(kept_covers(), slow=True) else [], slow=True)
            choose = self._of_file(name, left_s)
            for verdict in self.held(list(left_s), jobs, choose):
                if verdict.killed:
                    del left_s[verdict.mutant]
                    yield verdict
                else:
                    left_s[verdict.mutant] -= sum(cover.took_s for cover in choose(verdict.mutant))
        yield from (Verdict(mutant, False, mutant.name in self._known) for mutant in left_s)

    def _of_step(self, step: str) -> Callable[[Mutant], list[Cover]]:
        """What chooses the tests of a step."""
        found = covers()
        return lambda mutant: chosen_against(asked(self.fit(found), mutant, step), mutant, TESTS_S[step])

    def _of_lot(self, lot: Collection[str]) -> Callable[[Mutant], list[Cover]]:
        """What chooses the tests of a lot of other files."""
        found = covers()
        return lambda mutant: chosen_of_files(self.fit(found), lot, mutant, "other", TESTS_S["other"])

    def _of_file(self, name: str, left_s: Mapping[Mutant, float]) -> Callable[[Mutant], list[Cover]]:
        """What chooses the slow tests of a file."""
        found = covers()
        return lambda mutant: chosen_of_files(self.fit(found), [name], mutant, "slow", left_s[mutant])

    def fit(self, found: Iterable[Cover]) -> list[Cover]:
        """Without those that were seen to fail."""
        return [cover for cover in found if cover.test not in self._unfit]

    def _trace_missing(self, names: Sequence[str], *, slow: bool = False) -> None:
        for name in names:
            sys.stderr.write(f"tracing {name}{' (slow)' if slow else ''}\n")
            for test in self._warm.trace(name, slow=slow):
                sys.stderr.write(f"not asked, it fails as things are or computes too long: {test}\n")

    def held(self, mutants: Sequence[Mutant], jobs: int, choose: Callable[[Mutant], list[Cover]]) -> Iterator[Verdict]:
        """Hold each against the tests that are chosen for it."""
        running: dict[int, Held] = {}
        waiting = list(mutants)
        while waiting or running:
            while waiting and len(running) < jobs:
                mutant = waiting.pop(0)
                tests = choose(mutant)
                if tests:
                    child, told_from = begun(partial(_as_child, mutant, tests))
                    running[child] = Held(mutant, tests, told_from)
                else:
                    yield Verdict(mutant, False, mutant.name in self._known)
            if running:
                child, status = os.wait()
                held = running.pop(child)
                killed = self._killed(held, os.waitstatus_to_exitcode(status))
                if killed is None:
                    waiting.insert(0, held.mutant)
                else:
                    yield Verdict(held.mutant, killed, held.mutant.name in self._known)

    def _killed(self, held: Held, code: int) -> bool | None:
        """Whether the tests fail of the mutant and pass of the program as it is, run in the same way.

        None where one fails of the program as well: it is not asked again, and the mutant is held once more.
        """
        failing = told(held.told)
        if code == 0:
            return False
        upto = up_to([cover.test for cover in held.tests], failing)
        unfit = self._warm.failing(upto, cpu_limit_s(held.tests))
        if unfit is None:
            return True
        if unfit not in upto:
            raise RuntimeError(f"the tests cannot be run against the program as it is: {', '.join(upto)}")
        sys.stderr.write(f"not asked, it fails as things are: {unfit}\n")
        self._unfit.add(unfit)
        return None


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


def up_to(tests: Sequence[str], failing: str) -> list[str]:
    """The tests up to one that fails, or to the first of a file that fails; all where none of them is it."""
    ends = (place for place, test in enumerate(tests) if test == failing or test.startswith(f"{failing}::"))
    return list(tests[: next(ends, len(tests) - 1) + 1])


def cpu_limit_s(tests: Iterable[Cover]) -> int:
    """So long tests may compute."""
    return round(CPU_LEAST_S + CPU_TIMES * sum(cover.took_s for cover in tests))


def _as_child(mutant: Mutant, tests: Sequence[Cover], tell: int) -> int:
    """The child's whole life: change the import, run the tests."""
    file = file_of(mutant.module)
    code_instead = compile(mutated(mutant, file.read_text(encoding="utf-8")), str(file), "exec")
    sys.meta_path.insert(0, Instead({mutant.module: code_instead}, {}))
    return run_tests([cover.test for cover in tests], cpu_limit_s(tests), tell)
