"""Typed decoding that several threads may begin at once.

msgspec builds what it knows of a class at its first use, and shares it before it is whole: two threads that decode the
same class for the first time can end the process (seen with 0.22). Here decoders are made one at a time and kept.
"""

from __future__ import annotations

import threading
from typing import Any, TypeVar

import msgspec

T = TypeVar("T")

_making = threading.Lock()
_json: dict[Any, msgspec.json.Decoder[Any]] = {}
_packed: dict[Any, msgspec.msgpack.Decoder[Any]] = {}


def from_json(body: bytes | str, kind: type[T]) -> T:
    """A value of a type from JSON. Errors: msgspec.DecodeError, ValidationError among them."""
    decoder = _json.get(kind)
    if decoder is None:
        with _making:
            decoder = _json.setdefault(kind, msgspec.json.Decoder(kind))
    value: T = decoder.decode(body)
    return value


def from_packed(body: bytes, kind: type[T]) -> T:
    """A value of a type from MessagePack. Errors: msgspec.DecodeError, ValidationError among them."""
    decoder = _packed.get(kind)
    if decoder is None:
        with _making:
            decoder = _packed.setdefault(kind, msgspec.msgpack.Decoder(kind))
    value: T = decoder.decode(body)
    return value
