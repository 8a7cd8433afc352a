"""JSON read fast and strictly: without duplicate keys, numbers that are not finite, or excessive nesting."""

from __future__ import annotations

import json
from typing import Any

import msgspec

from forecaster.domain.errors import PayloadError
from forecaster.texts.catalogue import words

MAX_BYTES = 262_144
"""Larger payloads are refused unread [bytes]."""

MAX_DEPTH = 64
"""How deep arrays and objects may be nested."""

_decode = msgspec.json.Decoder().decode


def parse(payload: bytes) -> Any:
    """A payload as a JSON value. PayloadError with the reason where it is not exactly one valid JSON value."""
    try:
        value = _decode(payload)
    except RecursionError as error:
        raise PayloadError(words()("payload.the_json_is_nested_more_than", max_depth=MAX_DEPTH)) from error
    except msgspec.ValidationError as error:
        raise PayloadError(words()("payload.a_number_is_out_of_range", error=str(error))) from error
    except (UnicodeDecodeError, msgspec.DecodeError) as error:  # which one says that it is no UTF-8 depends on msgspec
        if not _is_utf8(payload):
            raise PayloadError(words()("payload.the_payload_is_not_utf_8")) from error
        raise PayloadError(words()("payload.the_payload_is_not_json", error=str(error))) from error
    if type(value) is dict or type(value) is list:
        colons = _names_and_colons(value, MAX_DEPTH)
        if payload.count(b":") != colons or b"\\" in payload:
            _refuse_duplicates(payload)
    return value


def _is_utf8(payload: bytes) -> bool:
    try:
        payload.decode()
    except UnicodeDecodeError:
        return False
    return True


def _names_and_colons(value: Any, depth: int) -> int:
    """The number of colons of a value written without escapes: one for each name, and those within names and texts.

    A duplicate name is lost in decoding together with its colon, so the count is then below that of the payload.
    """
    if depth == 0:
        raise PayloadError(words()("payload.the_json_is_nested_more_than", max_depth=MAX_DEPTH))
    total = 0
    if type(value) is dict:
        total = len(value)
        for name, inner in value.items():
            if ":" in name:
                total += name.count(":")
            kind = type(inner)
            if kind is str:
                total += inner.count(":")
            elif kind is dict or kind is list:
                total += _names_and_colons(inner, depth - 1)
        return total
    for inner in value:
        kind = type(inner)
        if kind is str:
            total += inner.count(":")
        elif kind is dict or kind is list:
            total += _names_and_colons(inner, depth - 1)
    return total


def _refuse_duplicates(payload: bytes) -> None:
    """The slow, exact search for duplicates, needed only where the count does not rule them out."""
    json.loads(payload, object_pairs_hook=_unique, parse_int=float)


def _unique(pairs: list[tuple[str, Any]]) -> None:
    seen = set()
    for name, _ in pairs:
        if name in seen:
            raise PayloadError(words()("payload.the_key_is_there_twice", name=name[:80]))
        seen.add(name)
