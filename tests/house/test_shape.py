"""The shape of the house: names that stand once, modules small enough to read, no circle of imports."""

from __future__ import annotations

import ast
import statistics
from collections import defaultdict
from collections.abc import Iterator
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

from tests.house.test_imports import ROOT, imports_of, sources

PACKAGES = ("api", "collector", "forecaster")
LONGEST, MEDIAN = 400, 120


def classes() -> Iterator[tuple[str, Path]]:
    for path, _, tree in sources(*PACKAGES):
        assert isinstance(tree, ast.Module)
        yield from ((node.name, path) for node in tree.body if isinstance(node, ast.ClassDef))


def test_a_class_name_stands_once() -> None:
    found = defaultdict(list)
    for name, path in classes():
        found[name].append(str(path.relative_to(ROOT)))
    twice = {name: paths for name, paths in found.items() if len(paths) > 1}
    assert not twice


def test_modules_are_small() -> None:
    lengths = {path: len(path.read_text(encoding="utf-8").splitlines()) for path, _, _ in sources(*PACKAGES)}
    long = {str(path.relative_to(ROOT)): lines for path, lines in lengths.items() if lines > LONGEST}
    assert not long
    assert statistics.median(lengths.values()) <= MEDIAN


def test_no_imports_go_in_a_circle() -> None:
    """Over modules, imports for type checking and inside functions included."""
    trees = {module: tree for _, module, tree in sources(*PACKAGES)}
    known = set(trees)
    graph: dict[str, set[str]] = {module: set() for module in known}
    for module, tree in trees.items():
        for node in ast.walk(tree):
            if isinstance(node, ast.ImportFrom):
                inner = {f"{node.module}.{alias.name}" for alias in node.names} & known
                graph[module] |= inner or ({node.module or ""} & known)
        graph[module] |= {name for _, name in imports_of(tree) if name in known} - packages_of(module)
    try:
        TopologicalSorter(graph).prepare()
    except CycleError as error:
        raise AssertionError(" -> ".join(error.args[1])) from error


def packages_of(module: str) -> set[str]:
    """The packages that a module lies in: their __init__ may name it."""
    parts = module.split(".")
    return {".".join(parts[:count]) for count in range(1, len(parts))}
