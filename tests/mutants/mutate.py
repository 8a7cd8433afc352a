"""Finds what can be changed in a module, and changes one thing of it: the smallest faults a hand can make.

The operators are those of every mutation test: constants moved, comparisons and signs turned round, `and` for `or`,
a condition negated, a result left out (DeMillo, Lipton and Sayward 1978, IEEE Computer 11(4), p. 34).
"""

from __future__ import annotations

import ast
import copy
from collections.abc import Iterator
from dataclasses import dataclass

COMPARISONS: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.GtE, ast.LtE: ast.Gt, ast.Gt: ast.LtE, ast.GtE: ast.Lt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot, ast.IsNot: ast.Is, ast.In: ast.NotIn, ast.NotIn: ast.In,
}  # fmt: skip
"""Turned round. From < to <= is left out: between measured numbers it is a change of nothing."""

SIGNS: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult,
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Mutant:
    """One change of one module.

    place : str — the function or class that holds it, dotted; "" for the module itself
    before, after : str — the expression as it is, and as it becomes
    number : int — the how-manieth such change of that place, from 0
    constant : str — the name that the module gives the changed value to, outside of functions and classes; or ""
    """

    module: str
    place: str
    before: str
    after: str
    number: int
    constant: str = ""

    @property
    def name(self) -> str:
        """Names it for as long as its place is not rewritten, wherever in the file it moves."""
        again = f" #{self.number + 1}" if self.number else ""
        return f"{self.module}:{self.place or '<module>'}: {self.before} -> {self.after}{again}"

    @property
    def function(self) -> str:
        """The function that holds it, as a test that enters it notes it."""
        return f"{self.module}:{self.place}"


def mutants_of(module: str, source: str) -> list[Mutant]:
    """Every change that can be made to a module, in the order of its text."""
    return [mutant for mutant, _ in _changes(module, ast.parse(source))]


def mutated(mutant: Mutant, source: str) -> ast.Module:
    """The module with that change. KeyError where the module does not hold it."""
    for found, tree in _changes(mutant.module, ast.parse(source)):
        if found == mutant:
            return ast.fix_missing_locations(copy.deepcopy(tree))
    raise KeyError(mutant.name)


def _changes(module: str, tree: ast.Module) -> Iterator[tuple[Mutant, ast.Module]]:
    """Each change in turn, made to the tree and taken back after it was looked at."""
    seen: dict[tuple[str, str, str], int] = {}
    for place, constant, node, field, index, new in _sites(tree):
        held = getattr(node, field)
        old = held if index is None else held[index]
        shown = node if isinstance(old, ast.operator | ast.cmpop | ast.boolop) else old
        before = _text(shown)
        _put(node, field, index, new)
        after = _text(node if shown is node else new)
        key = (place, before, after)
        seen[key] = seen.get(key, -1) + 1
        yield Mutant(module, place, before, after, seen[key], constant), tree
        _put(node, field, index, old)


def _put(node: ast.AST, field: str, index: int | None, value: object) -> None:
    if index is None:
        setattr(node, field, value)
    else:
        getattr(node, field)[index] = value


def _text(node: ast.AST) -> str:
    return ast.unparse(ast.fix_missing_locations(copy.deepcopy(node)))


Site = tuple[str, str, ast.AST, str, int | None, ast.AST]
"""(place, constant, node, field, index in the field where it is a list, what comes there instead)"""


def _sites(tree: ast.Module) -> Iterator[Site]:
    yield from _within(tree, "", "")


def _within(node: ast.AST, place: str, constant: str) -> Iterator[Site]:
    if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
        place = f"{place}.{node.name}" if place else node.name
    if not place:
        constant = _named(node) or constant
    for field, value in ast.iter_fields(node):
        if field in {"decorator_list", "annotation", "returns", "keywords"} and not isinstance(node, ast.Call):
            continue
        for index, child in enumerate(value) if isinstance(value, list) else [(None, value)]:
            if isinstance(child, ast.AST) and not _is_text(child):
                yield from ((place, constant, node, field, index, new) for new in _instead(child))
                yield from _within(child, place, constant)


def _named(node: ast.AST) -> str:
    """The first name that a statement gives its value to, or ""."""
    targets = node.targets if isinstance(node, ast.Assign) else [node.target] if isinstance(node, ast.AnnAssign) else []
    return next((name.id for target in targets for name in ast.walk(target) if isinstance(name, ast.Name)), "")


def _is_text(node: ast.AST) -> bool:
    """A docstring or another bare expression, words to read, or an assertion: nothing that computes."""
    return isinstance(node, ast.JoinedStr | ast.Assert | ast.Raise) or (
        isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)
    )


def _instead(node: ast.AST) -> Iterator[ast.AST]:
    """What can stand in a node's place."""
    match node:
        case ast.Constant(value=bool() as value):
            yield ast.Constant(not value)
        case ast.Constant(value=int() | float() as value):
            yield from (ast.Constant(other) for other in _other_numbers(value))
        case ast.cmpop():
            yield COMPARISONS[type(node)]()
        case ast.operator() if type(node) in SIGNS:
            yield SIGNS[type(node)]()
        case ast.And():
            yield ast.Or()
        case ast.Or():
            yield ast.And()
        case ast.UnaryOp(op=ast.USub() | ast.Not(), operand=operand):
            yield operand
        case ast.Return(value=ast.expr() as value) if not isinstance(value, ast.Constant):
            yield ast.Return(ast.Constant(None))


def _other_numbers(value: float) -> tuple[float, ...]:
    """A number a little off, and one far off."""
    if isinstance(value, int):
        return (value + 1, value - 1) if abs(value) < 1000 else (value * 2, value // 2)
    return (value * 2.0, value * 0.5) if value else (1.0,)
