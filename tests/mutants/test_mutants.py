"""The mutants themselves: what is changed, that nothing else is, and (`--long`) that the tests kill them."""

from __future__ import annotations

import ast
import subprocess
import sys

import pytest

from tests.mutants.mutate import mutants_of, mutated
from tests.mutants.run import ROOMS, ROOT, all_mutants, equivalents, module_of, room_tests, sample, sources_of

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


def test_every_room_is_there_and_every_equivalent_is_a_mutant() -> None:
    """A line about a place that was rewritten since is no excuse for another mutant."""
    for room in ROOMS:
        assert sources_of(room)
        assert all((ROOT / test).exists() for path in sources_of(room) for test in room_tests(module_of(path)))
    mutants = all_mutants(list(ROOMS))
    assert set(equivalents()) <= {mutant.name for mutant in mutants}
    assert all(len(reason) > 10 for reason in equivalents().values())
    assert len(sample(mutants, 0.01, 0)) == pytest.approx(0.01 * len(mutants), rel=0.5)


@pytest.mark.long
@pytest.mark.timeout(14_400)
def test_the_tests_kill_most_of_a_sample() -> None:
    """At least 85 % of those that can be told from the program at all."""
    line = [sys.executable, "-m", "tests.mutants"]
    done = subprocess.run(line, cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout[-4_000:] + done.stderr[-2_000:]
