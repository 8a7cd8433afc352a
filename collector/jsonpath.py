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


def compile_path(path: str) -> Finder:
    """A function that finds what an RFC 9535 path selects.

    Errors: ValueError with the reason where the path is not valid; the finder itself raises PayloadError
    where a value is too deep to search.
    """
    try:
        query = jsonpath_rfc9535.compile(path)
    except JSONPathError as error:
        raise ValueError(str(error).splitlines()[0]) from error
    except RecursionError as error:
        raise ValueError("it is nested too deeply") from error
    steps = _plain_steps(query)
    if steps is None:
        return _general(query)
    if len(steps) == 1 and isinstance(steps[0], str):
        return _one_name(steps[0])
    return _steps(steps)


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


def _one_name(name: str) -> Finder:
    def find(value: JSON) -> list[JSON]:
        if type(value) is dict and name in value:
            return [value[name]]
        return []

    return find


def _steps(steps: tuple[str | int, ...]) -> Finder:
    def find(value: JSON) -> list[JSON]:
        for step in steps:
            if type(step) is str:
                if type(value) is not dict or step not in value:
                    return []
            elif type(value) is not list or not -len(value) <= int(step) < len(value):
                return []
            value = value[step]
        return [value]

    return find


def _general(query: jsonpath_rfc9535.JSONPathQuery) -> Finder:
    def find(value: JSON) -> list[JSON]:
        try:
            return list(query.find(value).values())
        except JSONPathError as error:
            raise PayloadError(f"the path cannot be followed in this payload: {error}") from error
        except RecursionError as error:
            raise PayloadError("the payload is nested too deeply for the path") from error

    return find
