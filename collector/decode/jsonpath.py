"""JSONPath (RFC 9535), with plain paths compiled to direct look-ups."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import jsonpath_rfc9535
from jsonpath_rfc9535 import JSONPathError
from jsonpath_rfc9535.segments import JSONPathChildSegment
from jsonpath_rfc9535.selectors import IndexSelector, NameSelector

from forecaster.domain.errors import PayloadError

JSON = Any
Finder = Callable[[JSON], list[JSON]]
"""All values that a path selects in a JSON value, in order."""

Getter = Callable[[JSON], JSON]
MISSING: Any = object()
"""What a Getter gives where there is nothing."""


def compile_path(path: str) -> Finder:
    """A function that finds what an RFC 9535 path selects.

    Errors: ValueError with the reason where the path is not valid; the finder itself raises PayloadError
    where a value is too deep to search.
    """
    query = _query(path)
    steps = _plain_steps(query)
    if steps is None:
        return _general(query)
    find = _getter(steps)

    def one(value: JSON) -> list[JSON]:
        found = find(value)
        return [] if found is MISSING else [found]

    return one


def compile_single(path: str) -> Getter | None:
    """A function that gives the one value of a path of plain names and indices, or MISSING; None for other paths."""
    steps = _plain_steps(_query(path))
    return None if steps is None else _getter(steps)


def _query(path: str) -> jsonpath_rfc9535.JSONPathQuery:
    try:
        return jsonpath_rfc9535.compile(path)
    except JSONPathError as error:
        raise ValueError(str(error).splitlines()[0]) from error
    except RecursionError as error:
        raise ValueError("it is nested too deeply") from error


def _plain_steps(query: jsonpath_rfc9535.JSONPathQuery) -> tuple[str | int, ...] | None:
    """Names and indices of a path that selects at most one value; None for any other."""
    steps: list[str | int] = []
    for segment in query.segments:
        if not isinstance(segment, JSONPathChildSegment) or len(segment.selectors) != 1:
            return None
        selector = segment.selectors[0]
        if isinstance(selector, NameSelector):
            steps.append(selector.name)
        elif isinstance(selector, IndexSelector):
            steps.append(selector.index)
        else:
            return None
    return tuple(steps)


def _getter(steps: tuple[str | int, ...]) -> Getter:
    if len(steps) == 1 and isinstance(steps[0], str):
        name = steps[0]

        def named(value: JSON) -> JSON:
            return value.get(name, MISSING) if type(value) is dict else MISSING

        return named

    def walked(value: JSON) -> JSON:
        for step in steps:
            if type(step) is str:
                if type(value) is not dict or step not in value:
                    return MISSING
            elif type(value) is not list or not -len(value) <= int(step) < len(value):
                return MISSING
            value = value[step]
        return value

    return walked


def _general(query: jsonpath_rfc9535.JSONPathQuery) -> Finder:
    def find(value: JSON) -> list[JSON]:
        try:
            return list(query.find(value).values())
        except JSONPathError as error:
            raise PayloadError(f"the path cannot be followed in this payload: {error}") from error
        except RecursionError as error:
            raise PayloadError("the payload is nested too deeply for the path") from error

    return find
