"""The mutants themselves: what is changed, that nothing else is, and (`--long`) that the tests kill them."""

from __future__ import annotations

import ast
import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from tests.mutants.__main__ import ALIVE, EQUIVALENT, KILLED, fate, known, main, report
from tests.mutants.covering import NOTES, Cover, files_importing, files_of_tests, files_using, noting, readers_of
from tests.mutants.loading import ROOT, module_of
from tests.mutants.mutate import Mutant, mutants_of, mutated
from tests.mutants.run import (
    LOT,
    ROOMS,
    TESTS_S,
    Runner,
    Verdict,
    all_mutants,
    asked,
    chosen_against,
    chosen_of_files,
    equivalents,
    lots,
    sample,
    sources_of,
    up_to,
)

SOURCE = '''
"""Words are left alone: 1 + 1."""
LIMIT = 2.5


def passed(hours: float, on: bool) -> bool:
    if hours < LIMIT and not on:
        return hours - 1 > 0
    return False
'''


def test_every_kind_of_change_is_made_once() -> None:
    changes = {(m.place, m.before, m.after) for m in mutants_of("m", SOURCE)}
    assert changes == {
        ("", "2.5", "5.0"),
        ("", "2.5", "1.25"),
        ("passed", "hours < LIMIT", "hours >= LIMIT"),
        ("passed", "hours < LIMIT and (not on)", "hours < LIMIT or not on"),
        ("passed", "not on", "on"),
        ("passed", "hours - 1 > 0", "hours - 1 <= 0"),
        ("passed", "hours - 1", "hours + 1"),
        ("passed", "1", "2"),
        ("passed", "1", "0"),
        ("passed", "0", "1"),
        ("passed", "0", "-1"),
        ("passed", "return hours - 1 > 0", "return None"),
        ("passed", "False", "True"),
    }


def test_a_mutant_is_the_module_with_that_change_and_no_other() -> None:
    whole = ast.unparse(ast.parse(SOURCE))
    for mutant in mutants_of("m", SOURCE):
        changed = ast.unparse(mutated(mutant, SOURCE))
        differing = [pair for pair in zip(whole.split("\n"), changed.split("\n"), strict=True) if len(set(pair)) == 2]
        assert len(differing) == 1, mutant.name
    assert ast.unparse(ast.parse(SOURCE)) == whole


def test_an_asynchronous_function_is_a_place_as_well() -> None:
    """What it holds is asked of the tests that enter it, which note it by this name."""
    source = "class House:\n    async def dry(self):\n        return await self.pumped() > 0\n"
    assert {mutant.function for mutant in mutants_of("m", source)} == {"m:House.dry"}
    assert f"{NOTES}('m:House.dry')" in ast.unparse(noting("m", source))


HOUSE = '''
class House:
    def dry(self):
        """Words."""
        return [pump() for pump in (self._pump,)]

    def _pump(self):
        def runs():
            return 1
        return runs()

    def wet(self):
        return 0
'''


def test_functions_note_that_they_are_entered_and_stay_what_they_are() -> None:
    entered: list[str] = []
    seen: dict[str, Any] = {NOTES: entered.append}
    exec(compile(noting("m", HOUSE), "m", "exec"), seen)
    assert entered == []
    assert seen["House"]().dry() == [1]
    assert entered == ["m:House.dry", "m:House._pump", "m:House._pump.runs"]
    assert seen["House"].dry.__doc__ == "Words."


def test_every_room_is_there_and_every_equivalent_is_a_mutant() -> None:
    """A line about a place that was rewritten since is no excuse for another mutant."""
    modules = {module_of(path): path for room in ROOMS for path in sources_of(room)}
    assert all(sources_of(room) for room in ROOMS)
    listed = equivalents()
    for module in {name.partition(":")[0] for name in listed}:
        theirs = {mutant.name for mutant in mutants_of(module, modules[module].read_text(encoding="utf-8"))}
        assert {name for name in listed if name.startswith(f"{module}:")} <= theirs
    assert all(len(reason) > 10 for reason in equivalents().values())


def test_a_sample_is_the_seeds_and_hardly_moves_when_mutants_come_and_go() -> None:
    mutants = all_mutants(["forecaster/maths"])
    chosen = sample(mutants, 40, 7)
    assert len({mutant.name for mutant in chosen}) == 40
    assert sample(mutants[::-1], 40, 7) == chosen
    assert sample(mutants, 40, 8) != chosen
    assert set(sample(mutants[1:], 40, 7)) >= set(chosen) - {mutants[0]}


def test_a_mutant_is_held_against_the_tests_that_enter_its_function() -> None:
    """As many as fit the time, and one in any case."""
    wanted = next(m for m in all_mutants(["forecaster/maths"]) if m.place)
    inside = frozenset({f"{wanted.module}:{wanted.place}"})
    own = Cover("tests/forecaster/maths/test_a.py::test_own", 1.0, inside)
    far = Cover("tests/outside/test_b.py::test_far", 0.1, inside)
    slow = Cover("tests/outside/test_b.py::test_slow", 30.0, inside)
    beside = Cover("tests/forecaster/maths/test_a.py::test_beside", 0.1, frozenset({f"{wanted.module}:other"}))
    assert chosen_against([slow, far, beside, own], wanted, 30.0) == [far, own]
    assert chosen_against([slow, beside], wanted, 29.0) == [slow]
    assert chosen_against([beside], wanted, 30.0) == [beside], "nothing enters the function as such"
    assert chosen_against([], wanted, 30.0) == []


def test_a_mutant_is_held_against_its_own_room_then_those_near_then_all_others_then_the_slow_ones() -> None:
    """Near is what imports its module by name."""
    wanted = next(m for m in all_mutants(["forecaster/sizing"]) if m.module == "forecaster.sizing.motors")
    own = Cover("tests/forecaster/sizing/test_a.py::test_own", 1.0, frozenset())
    near = Cover("tests/outside/test_motor_tables.py::test_near", 0.1, frozenset())
    far = Cover("tests/outside/test_b.py::test_far", 0.1, frozenset())
    slow = Cover("tests/forecaster/sizing/test_a.py::test_slow", 20.0, frozenset(), slow=True)
    parts = {step: asked([own, far, near, slow], wanted, step) for step in TESTS_S}
    assert parts == {"own": [own], "near": [near], "other": [far], "slow": [slow]}
    assert "tests/outside/test_jsonpath.py" in files_importing("collector.decode.jsonpath")
    assert "tests/outside/test_jsonpath.py" not in files_importing("collector.decode.payload")


def test_of_a_slow_file_those_are_asked_that_enter_the_function() -> None:
    """Others of its module only where nothing enters it at all, and none where the time has been spent."""
    wanted = next(m for m in all_mutants(["forecaster/maths"]) if m.place)
    beside = Cover("tests/api/test_a.py::test_beside", 9.0, frozenset({f"{wanted.module}:other"}), slow=True)
    inside = Cover("tests/api/test_a.py::test_inside", 9.0, frozenset({wanted.function}), slow=True)
    far = Cover("tests/api/test_b.py::test_far", 9.0, frozenset({wanted.function}), slow=True)
    assert chosen_of_files([beside, inside, far], ["tests/api/test_a.py"], wanted, "slow", 1.0) == [inside]
    assert chosen_of_files([beside, far], ["tests/api/test_a.py"], wanted, "slow", 1.0) == []
    assert chosen_of_files([beside], ["tests/api/test_a.py"], wanted, "slow", 1.0) == [beside]
    assert chosen_of_files([inside], ["tests/api/test_a.py"], wanted, "slow", 0.0) == []


def test_other_files_are_met_in_lots_the_traced_ones_first_then_the_close_ones() -> None:
    names = [f"tests/{number:03}.py" for number in range(LOT + 5)]
    met = lots(names, untraced=names[2:], close=names[-3:])
    assert met[0] == names[:2]
    assert met[1] == [*names[-3:], *names[2 : LOT - 1]]
    assert met[2] == names[LOT - 1 : -3]
    assert "tests/outside/test_jsonpath.py" in files_using("collector.decode")
    assert "tests/outside/test_jsonpath.py" not in files_using("collector.decode.pay")


def test_the_program_is_held_against_the_tests_up_to_the_one_that_failed() -> None:
    tests = [f"tests/test_{name}" for name in ("a.py::test_1", "b.py::test_1", "b.py::test_10", "c.py::test_1")]
    assert up_to(tests, "tests/test_b.py::test_1") == tests[:2]
    assert up_to(tests, "tests/test_b.py::test_10") == tests[:3]
    assert up_to(tests, "tests/test_b.py") == tests[:2]
    assert up_to(tests, "") == tests


def test_a_constant_is_held_against_the_tests_of_what_reads_it_first() -> None:
    """`HOUR_MS` of the clock's own module would be any test's; what reads it is named, in other modules as well."""
    wanted = next(m for m in all_mutants(["forecaster/maths"]) if m.constant and readers_of(m.module, m.constant))
    reading = frozenset(sorted(readers_of(wanted.module, wanted.constant))[:1])
    close = Cover("tests/outside/test_b.py::test_close", 14.0, reading)
    beside = Cover("tests/outside/test_a.py::test_beside", 0.1, frozenset({f"{wanted.module}:other"}))
    costly = Cover("tests/outside/test_c.py::test_costly", 16.0, frozenset({f"{wanted.module}:other"}))
    assert chosen_against([costly, beside, close], wanted, 30.0) == [beside, close]


def test_a_run_that_was_ended_goes_on_after_what_it_had_written(tmp_path: Path) -> None:
    first, second, third, fourth = mutants_of("m", SOURCE)[:4]
    log = tmp_path / "mutants.log"
    assert known(log, [first]) == []
    words = [
        f"killed     {first.name}",
        "tracing tests/forecaster",
        f"SURVIVED   {second.name}",
        f"equivalent {third.name}",
    ]
    log.write_text("\n".join(words) + "\n", encoding="utf-8")
    found = known(log, [fourth, third, second, first])
    assert [(verdict.mutant, fate(verdict)) for verdict in found] == [
        (third, EQUIVALENT), (second, ALIVE), (first, KILLED),
    ]  # fmt: skip
    said, well = report(found)
    assert said.splitlines() == ["1 of 2 killed, 50%; 1 more are equivalent", second.name]
    assert not well
    assert report(found[2:])[1]


HELD = """
import sys
from tests.mutants.covering import Cover
from tests.mutants.run import Runner, all_mutants

halved = "forecaster.maths.ranks:median: 0.5 -> 0.25"
wanted = next(m for m in all_mutants(["forecaster/maths"]) if m.name == halved)
runner = Runner()
tests = [Cover(name, 1.0, frozenset()) for name in sys.argv[1:]]
verdicts = list(runner.held([wanted], 1, lambda _: runner.fit(tests)))
print([v.killed for v in verdicts], [cover.test for cover in runner.fit(tests)])
"""


@pytest.mark.slow
def test_what_fails_of_the_program_as_well_kills_nothing(tmp_path: Path) -> None:
    """It is left out, and the mutant held against the others; alone it leaves the mutant alive."""
    (tmp_path / "test_given.py").write_text(GIVEN, encoding="utf-8")
    (tmp_path / "conftest.py").write_text("from tests.conftest import *\n", encoding="utf-8")
    fails, passes, kills = (f"test_given.py::test_{name}" for name in ("fails", "passes", "median"))
    assert _held(tmp_path, [fails, passes, kills]) == f"[True] {[passes, kills]}"
    assert _held(tmp_path, [passes, fails]) == f"[False] {[passes]}"
    assert _held(tmp_path, [fails]) == "[False] []"


GIVEN = """
import numpy as np
from forecaster.maths.ranks import median

def test_fails(): assert False
def test_passes(): pass
def test_median(): assert median(np.array([1.0, 2.0, 6.0, 9.0])) == 4.0
"""


def _held(place: Path, tests: list[str]) -> str:
    line = [sys.executable, "-c", HELD, *tests]
    env = os.environ | {"PYTHONPATH": str(ROOT)}
    return subprocess.run(line, cwd=place, env=env, check=True, capture_output=True, text=True).stdout.strip()


def test_processes_of_tests_share_one_folder_of_fonts_that_goes_with_the_run(monkeypatch: pytest.MonkeyPatch) -> None:
    seen: list[Path] = []

    def verdicts(_self: Runner, _mutants: list[Mutant], _jobs: int) -> list[Verdict]:
        seen.append(Path(os.environ["MPLCONFIGDIR"]))
        assert seen[0].is_dir()
        return []

    monkeypatch.delenv("MPLCONFIGDIR")
    monkeypatch.setattr(Runner, "verdicts", verdicts)
    monkeypatch.setattr(sys, "argv", ["mutants", "--count", "0"])
    assert main() == 0
    assert not seen[0].exists()


@pytest.mark.slow
def test_a_function_that_a_test_enters_is_found(tmp_path: Path) -> None:
    """Traced in a process of its own: the tests of the mixture enter the mixture, and start no server."""
    kept = tmp_path / "covers.json"
    name = "tests/forecaster/maths/test_mixture.py"
    line = (
        "import sys, pathlib; from tests.mutants import covering; "
        "covering.KEPT = pathlib.Path(sys.argv[1]); "
        "covering.trace(sys.argv[2], covering.Notes(covering.noting_codes()))"
    )
    subprocess.run([sys.executable, "-c", line, str(kept), name], cwd=ROOT, check=True, capture_output=True)
    tests = json.loads(kept.read_text(encoding="utf-8"))[name]["plain"]["tests"]
    assert tests
    assert any(seen["entered"] for seen in tests.values())
    assert all(entry.startswith("forecaster.") for seen in tests.values() for entry in seen["entered"])
    assert ROOT / name in files_of_tests()


@pytest.mark.long
@pytest.mark.timeout(14_400)
def test_the_tests_kill_most_of_a_sample() -> None:
    """At least 85 % of those that can be told from the program at all."""
    line = [sys.executable, "-m", "tests.mutants"]
    done = subprocess.run(line, cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout[-4_000:] + done.stderr[-2_000:]
