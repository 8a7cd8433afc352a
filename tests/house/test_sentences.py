"""The rooms that speak to people hold no sentence of their own: what they say is in the catalogue of words."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

from tests.house.test_imports import sources

SPEAKING = ("forecaster/sizing", "forecaster/discharge", "forecaster/engine", "forecaster/texts", "api/pages")
"""Rooms whose sentences are all in the catalogue; what other rooms say in errors and logs is English."""

SENTENCE = re.compile(r"[A-Za-z’']{2,} [a-z’']{2,} [a-z’']{2,}")
"""Three words in a row."""

COMPLAINTS = {
    "UsageError",
    "ConfigError",
    "ValueError",
    "TypeError",
    "SnapshotError",
    "ProblemError",
    "FitError",
    "_demand",
}
"""What is raised in one line, and what raises it."""


def literals(tree: ast.AST) -> Iterator[tuple[int, str]]:
    """Texts that are neither docstrings nor part of a complaint."""
    apart: set[int] = set()
    for node in ast.walk(tree):
        called = node.func if isinstance(node, ast.Call) else None
        name = called.id if isinstance(called, ast.Name) else called.attr if isinstance(called, ast.Attribute) else ""
        if isinstance(node, ast.Raise | ast.Assert) or name in COMPLAINTS or name in {"warning", "info", "error"}:
            apart |= {id(inner) for inner in ast.walk(node)}
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
            apart.add(id(node.value))
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in apart:
            yield node.lineno, node.value


def test_no_sentence_stands_in_a_room_that_speaks() -> None:
    found = [
        f"{Path(*path.parts[-3:])}:{line}: {text!r}"
        for path, _, tree in sources(*SPEAKING)
        for line, text in literals(tree)
        if SENTENCE.search(text) and "<" not in text
    ]
    assert not found, "\n".join(found)
