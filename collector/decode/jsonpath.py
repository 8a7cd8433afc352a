"""JSONPath (RFC 9535), with plain paths compiled to direct look-ups."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from functools import lru_cache
from typing import Any

from jsonpath_rfc9535 import JSONPathError, JSONPathQuery

from collector.decode.bounded_path import BoundedEnvironment, TooManyStepsError
from forecaster.domain.errors import PayloadError
from forecaster.texts.catalogue import words

JSON = Any
Finder = Callable[[JSON], list[JSON]]
"""All values that a path selects in a JSON value, in order."""

Getter = Callable[[JSON], JSON]
LONGEST_PATH = 1000
"""Most characters of a path."""

TRIES = 3
"""Payloads in which a path may take too long, before it is not tried any more."""

MISSING: Any = object()
"""The result of a Getter where the path selects nothing."""

STEP = re.compile(r"\['(?P<name>(?:[^'\\]|\\.)*)'\]|\[(?P<index>-?\d+)\]")
"""One step of a normalized path (RFC 9535, section 2.7): a quoted name or an index."""


def compile_path(path: str) -> Finder:
    """A function that gives the values that an RFC 9535 path selects.

    Errors: ValueError with the reason where the path is not valid or too long; the finder itself raises
    PayloadError where a value is too deep or too much to search.
    """
    steps = _plain_steps(path)
    if steps is None:
        environment = BoundedEnvironment()
        return _Bounded(environment, _query(path, environment))
    find = _getter(steps)

    def one(value: JSON) -> list[JSON]:
        found = find(value)
        return [] if found is MISSING else [found]

    return one


def compile_single(path: str) -> Getter | None:
    """A function that gives the one value of a path of plain names and indices, or MISSING; None for other paths."""
    steps = _plain_steps(path)
    return None if steps is None else _getter(steps)


def _query(path: str, environment: BoundedEnvironment) -> JSONPathQuery:
    if len(path) > LONGEST_PATH:
        raise ValueError(words()("payload.a_path_has_at_most", longest_path=LONGEST_PATH))
    try:
        return environment.compile(path)
    except JSONPathError as error:
        raise ValueError(str(error.args[0])) from error
    except RecursionError as error:
        raise ValueError(words()("payload.it_is_nested_too_deeply")) from error


@lru_cache(maxsize=1024)
def _plain_steps(path: str) -> tuple[str | int, ...] | None:
    """Names and indices of a path that selects at most one value; None for any other. ValueError

    They are read from the normalized form of the path, which the standard defines, because the library's own classes
    change from version to version.
    """
    normalized, steps, at = str(_query(path, BoundedEnvironment())), [], len("$")
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


class _Bounded:
    """A path of any kind. One that takes too long is given up: the next payload of its kind would take as long."""

    def __init__(self, environment: BoundedEnvironment, query: JSONPathQuery) -> None:
        self._environment, self._query = environment, query
        self._too_long = 0

    def __call__(self, value: JSON) -> list[JSON]:
        if self._too_long >= TRIES:
            raise PayloadError(words()("payload.the_path_is_not_tried", tries=TRIES))
        try:
            return self._environment.values(self._query, value)
        except TooManyStepsError as error:
            self._too_long += 1
            raise PayloadError(words()("payload.the_path_took_too_long")) from error
        except JSONPathError as error:
            raise PayloadError(words()("payload.the_path_cannot_be_followed_in", args=error.args[0])) from error
        except RecursionError as error:
            raise PayloadError(words()("payload.the_payload_is_nested_too_deeply")) from error
