"""The shape of the house: names that stand once, modules small enough to read, no circle of imports."""

from __future__ import annotations

import statistics
from collections import defaultdict
from graphlib import CycleError, TopologicalSorter

from tests.house.test_imports import ROOT, read

PACKAGES = ("api", "collector", "forecaster")
LONGEST, MEDIAN = 400, 120


def test_a_class_name_stands_once() -> None:
    found = defaultdict(list)
    for one in read(*PACKAGES):
        for name in one.classes:
            found[name].append(str(one.path.relative_to(ROOT)))
    twice = {name: paths for name, paths in found.items() if len(paths) > 1}
    assert not twice


def test_modules_are_small() -> None:
    lengths = {one.path: one.lines for one in read(*PACKAGES)}
    long = {str(path.relative_to(ROOT)): lines for path, lines in lengths.items() if lines > LONGEST}
    assert not long
    assert statistics.median(lengths.values()) <= MEDIAN


def test_no_imports_go_in_a_circle() -> None:
    """Over modules, imports for type checking and inside functions included."""
    modules = list(read(*PACKAGES))
    known = {one.module for one in modules}
    graph: dict[str, set[str]] = {}
    for one in modules:
        taken = {f"{name}.{part}" for _, name, parts in one.imports for part in parts} & known
        named = {name for _, name, _ in one.imports if name in known}
        graph[one.module] = taken | (named - packages_of(one.module))
    try:
        TopologicalSorter(graph).prepare()
    except CycleError as error:
        raise AssertionError(" -> ".join(error.args[1])) from error


def packages_of(module: str) -> set[str]:
    """The packages that a module lies in: their __init__ may name it."""
    parts = module.split(".")
    return {".".join(parts[:count]) for count in range(1, len(parts))}
