"""Typed decoding that several threads may begin at once.

msgspec builds what it knows of a class at its first use, and shares it before it is whole: two threads that decode the
same class for the first time can end the process (seen with 0.22). Here decoders are made one at a time and kept.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Any, TypeVar

import msgspec

T = TypeVar("T")

D = TypeVar("D")

_making = threading.Lock()
_json: dict[Any, msgspec.json.Decoder[Any]] = {}
_packed: dict[Any, msgspec.msgpack.Decoder[Any]] = {}


def from_json(body: bytes | str, kind: type[T]) -> T:
    """A value of a type from JSON. Errors: msgspec.DecodeError, ValidationError among them."""
    value: T = _kept(_json, kind, msgspec.json.Decoder).decode(body)
    return value


def from_packed(body: bytes, kind: type[T]) -> T:
    """A value of a type from MessagePack. Errors: msgspec.DecodeError, ValidationError among them."""
    value: T = _kept(_packed, kind, msgspec.msgpack.Decoder).decode(body)
    return value


def _kept(made: dict[Any, D], kind: Any, make: Callable[[Any], D]) -> D:
    if kind not in made:
        with _making:
            if kind not in made:  # another thread may have made it meanwhile
                made[kind] = make(kind)
    return made[kind]
