"""JSONPath (RFC 9535), with plain paths compiled to direct look-ups."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from typing import Any

import jsonpath_rfc9535
from jsonpath_rfc9535 import JSONPathError

from forecaster.domain.errors import PayloadError
from forecaster.texts.catalogue import words

JSON = Any
Finder = Callable[[JSON], list[JSON]]
"""All values that a path selects in a JSON value, in order."""

Getter = Callable[[JSON], JSON]
MISSING: Any = object()
"""The result of a Getter where the path selects nothing."""

STEP = re.compile(r"\['(?P<name>(?:[^'\\]|\\.)*)'\]|\[(?P<index>-?\d+)\]")
"""One step of a normalized path (RFC 9535, section 2.7): a quoted name or an index."""


def compile_path(path: str) -> Finder:
    """A function that gives the values that an RFC 9535 path selects.

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
        raise ValueError(str(error.args[0])) from error
    except RecursionError as error:
        raise ValueError(words()("payload.it_is_nested_too_deeply")) from error


def _plain_steps(query: jsonpath_rfc9535.JSONPathQuery) -> tuple[str | int, ...] | None:
    """Names and indices of a path that selects at most one value; None for any other.

    They are read from the normalized form of the path, which the standard defines, because the library's own classes
    change from version to version.
    """
    normalized, steps, at = str(query), [], len("$")
    while at < len(normalized):
        found = STEP.match(normalized, at)
        if found is None:
            return None
        steps.append(int(found["index"]) if found["index"] is not None else _name(found["name"]))
        at = found.end()
    return tuple(steps)


def _name(quoted: str) -> str:
    """A name without its escapes: those of JSON, except that the quotation marks are single."""
    swapped = {"\\'": "'", '"': '\\"'}
    return str(json.loads('"' + re.sub(r'\\.|"', lambda found: swapped.get(found[0], found[0]), quoted) + '"'))


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
            raise PayloadError(words()("payload.the_path_cannot_be_followed_in", args=error.args[0])) from error
        except RecursionError as error:
            raise PayloadError(words()("payload.the_payload_is_nested_too_deeply")) from error

    return find
