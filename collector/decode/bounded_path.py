"""A JSONPath that ends: the library's own rules (RFC 9535), with every step counted and every pattern timed.

A filter within a descent within a filter takes time with a power of the payload's size, and whoever may publish writes
the payload. Steps are counted, not seconds, so that a replayed log gives the readings that it gave live.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Iterator
from typing import Any

import regex
from iregexp_check import check
from jsonpath_rfc9535 import JSONPathEnvironment, JSONPathNode, JSONPathNodeList, JSONPathQuery
from jsonpath_rfc9535.filter_expressions import Expression, FilterContext, RelativeFilterQuery, RootFilterQuery
from jsonpath_rfc9535.function_extensions import Match, Search
from jsonpath_rfc9535.parse import Parser
from jsonpath_rfc9535.segments import JSONPathChildSegment, JSONPathRecursiveDescentSegment, JSONPathSegment
from jsonpath_rfc9535.selectors import IndexSelector, JSONPathSelector, NameSelector
from jsonpath_rfc9535.tokens import TokenStream

MOST_STEPS = 200_000
"""Steps that a path may take in one payload: some tenths of a second. `$..power` takes about one a value."""

QUERY_STEPS = 3
"""Of a query within a filter, beside those of what it goes through."""

LONGEST_TEXT = 4096
"""Most characters of a text in which `match` and `search` look, and LONGEST_PATTERN of what they look for."""

LONGEST_PATTERN = 256

PATTERNS_S = 0.2
"""Processor time of all `match` and `search` in one payload together [s]."""

ANY_SIGN = regex.compile(r"(?<kept>\\.|\[(?:\\.|[^\]\\])*\])|\.")
"""The dots of an I-Regexp that stand for any character but a line's end (RFC 9485 section 5.4)."""


class TooManyStepsError(Exception):
    """A path that takes too long in a payload."""


class BoundedEnvironment(JSONPathEnvironment):
    """The library's environment for one path, which counts."""

    def __init__(self) -> None:
        self.steps, self.patterns_s = 0, 0.0
        super().__init__()
        self.parser = _BoundedParser(env=self)

    def setup_function_extensions(self) -> None:
        """The functions of the standard; those that take patterns stop in time."""
        super().setup_function_extensions()
        self.function_extensions["match"] = _BoundedMatch(self)
        self.function_extensions["search"] = _BoundedSearch(self)

    def values(self, query: JSONPathQuery, value: Any) -> list[Any]:
        """What a path of this environment selects. TooManyStepsError; JSONPathError and RecursionError of others."""
        self.steps, self.patterns_s = 0, 0.0
        return list(query.find(value).values())

    def step(self, count: int = 1) -> None:
        """Count steps. TooManyStepsError where there were too many."""
        self.steps += count
        if self.steps > MOST_STEPS:
            raise TooManyStepsError

    def fits(self, look: Callable[..., object], text: object, pattern: object) -> bool:
        """Whether an I-Regexp (RFC 9485) fits a text, as `look` looks for it. TooManyStepsError where it takes long."""
        if not isinstance(text, str) or not isinstance(pattern, str):
            return False
        self.step(1 + len(text) // 16)
        left_s = PATTERNS_S - self.patterns_s
        if len(text) > LONGEST_TEXT or len(pattern) > LONGEST_PATTERN or left_s <= 0.0:
            raise TooManyStepsError
        begun_s = time.thread_time()
        try:
            return check(pattern) and look(_spelt(pattern), text, flags=regex.VERSION1, timeout=left_s) is not None
        except regex.error:
            return False
        except TimeoutError as error:
            raise TooManyStepsError from error
        finally:
            self.patterns_s += time.thread_time() - begun_s


def _spelt(pattern: str) -> str:
    return str(ANY_SIGN.sub(lambda found: found["kept"] or r"[^\n\r]", pattern))


class _BoundedMatch(Match):
    def __init__(self, env: BoundedEnvironment) -> None:
        self._env = env

    def __call__(self, string: str, pattern: object) -> bool:
        return self._env.fits(regex.fullmatch, string, pattern)


class _BoundedSearch(Search):
    def __init__(self, env: BoundedEnvironment) -> None:
        self._env = env

    def __call__(self, string: str, pattern: object) -> bool:
        return self._env.fits(regex.search, string, pattern)


class _BoundedParser(Parser):
    """The library's parser, which makes segments and queries that count."""

    env: BoundedEnvironment

    def parse_query(self, stream: TokenStream, *, in_filter: bool = False) -> Iterable[JSONPathSegment]:
        """Parse a path, or a query within a filter."""
        for segment in super().parse_query(stream, in_filter=in_filter):
            kind = _Descent if isinstance(segment, JSONPathRecursiveDescentSegment) else _Child
            yield kind(env=self.env, token=segment.token, selectors=segment.selectors)

    def parse_root_query(self, stream: TokenStream) -> Expression:
        """Parse `$…` within a filter."""
        return _counted(_FromRoot, super().parse_root_query(stream))

    def parse_relative_query(self, stream: TokenStream) -> Expression:
        """Parse `@…` within a filter."""
        return _counted(_FromHere, super().parse_relative_query(stream))


class _Child(JSONPathChildSegment):
    env: BoundedEnvironment

    def resolve(self, nodes: Iterable[JSONPathNode]) -> Iterable[JSONPathNode]:
        for node in nodes:
            for selector in self.selectors:
                self.env.step(_cost(selector, node.value))
                yield from selector.resolve(node)


class _Descent(JSONPathRecursiveDescentSegment):
    env: BoundedEnvironment

    def resolve(self, nodes: Iterable[JSONPathNode]) -> Iterable[JSONPathNode]:
        for node in nodes:
            for inner in _within(node):
                self.env.step(_size(inner.value))
                for selector in self.selectors:
                    self.env.step(_cost(selector, inner.value))
                    yield from selector.resolve(inner)


def _cost(selector: JSONPathSelector, value: object) -> int:
    """The steps of one selector at one value: a name or place is looked up, others go through all there is."""
    return 1 if isinstance(selector, NameSelector | IndexSelector) else 1 + _size(value)


def _size(value: object) -> int:
    return len(value) if isinstance(value, dict | list) else 0


def _within(node: JSONPathNode) -> Iterator[JSONPathNode]:
    """A node and the objects and arrays below it, each before what it holds (RFC 9535 section 2.5.2)."""
    waiting = [node]
    while waiting:
        one = waiting.pop()
        yield one
        below = _items(one.value)
        waiting += [one.new_child(inner, key, one) for key, inner in below if isinstance(inner, dict | list)][::-1]


def _items(value: object) -> Iterable[tuple[str | int, object]]:
    if isinstance(value, dict):
        return value.items()
    return enumerate(value) if isinstance(value, list) else ()


class _FromRoot(RootFilterQuery):
    def evaluate(self, context: FilterContext) -> object:
        return _weighed(super().evaluate(context), context)


class _FromHere(RelativeFilterQuery):
    def evaluate(self, context: FilterContext) -> object:
        return _weighed(super().evaluate(context), context)


def _counted(kind: type[_FromRoot] | type[_FromHere], made: Expression) -> Expression:
    assert isinstance(made, RootFilterQuery | RelativeFilterQuery)
    return kind(made.token, made.query)


def _weighed(found: object, context: FilterContext) -> object:
    """The result of a query within a filter, once the size of a single one is counted: it may be compared whole."""
    assert isinstance(context.env, BoundedEnvironment)
    context.env.step(QUERY_STEPS)
    waiting = [node.value for node in found] if isinstance(found, JSONPathNodeList) and len(found) == 1 else []
    while waiting:
        one = waiting.pop()
        if isinstance(one, str):
            context.env.step(len(one) // 256)
        context.env.step(_size(one))
        waiting += [inner for _, inner in _items(one)]
    return found
