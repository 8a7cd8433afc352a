"""Sentences that were kept in English, known again: which text of the catalogue made them, and what filled it.

What goes through a store, a broker or JSON on its way to a reader is the English sentence it is, in rows of every
release. Its pattern in the catalogue tells its key and its blanks, so that a page says it in the reader's language.
"""

from __future__ import annotations

import re
import string
from collections.abc import Mapping
from functools import lru_cache
from typing import NamedTuple

SECTIONS = tuple(
    f"{name}."
    for name in (
        "payload", "guard", "clock_doubt", "broker", "store", "outcome", "config", "usage", "fault", "pump_sign",
        "typed", "members",
    )
)  # fmt: skip
"""Sections of the catalogue whose sentences are kept."""

REASONS = frozenset(
    {"reason", "error", "problem", "fix", "why", "what", "message", "fault", "says", "refusal", "item", "refused"}
)
"""Blanks that a kept sentence may stand in."""

LONGEST = 1000
"""What is longer is no sentence of the catalogue [characters]."""

LEAST_FIXED = 5
"""A text with a shorter longest piece would be found in anything [characters]."""


class Pattern(NamedTuple):
    """A text of the catalogue: its key, its longest fixed piece, and the pattern of what it makes."""

    key: str
    piece: str
    made: re.Pattern[str]


def patterns(texts: Mapping[str, str]) -> tuple[Pattern, ...]:
    """The patterns of all kept sentences, the most telling first."""
    found = [(_pattern(key, text), text) for key, text in texts.items() if key.startswith(SECTIONS)]
    telling = [(pattern, text) for pattern, text in found if len(pattern.piece) >= LEAST_FIXED]
    return tuple(pattern for pattern, text in sorted(telling, key=lambda one: -_fixed(one[1])))


def known(text: str, among: tuple[Pattern, ...]) -> tuple[str, dict[str, str]] | None:
    """The key of what made a sentence, and what stood in its blanks; None where it is none of the catalogue's."""
    if len(text) > LONGEST:
        return None
    for key, piece, made in among:
        found = made.fullmatch(text) if piece in text else None
        if found is not None:
            return key, found.groupdict()
    return None


@lru_cache(maxsize=1024)
def pieces(text: str) -> tuple[tuple[str, str | None], ...]:
    """A text as its fixed pieces, each with the blank that follows it."""
    return tuple((piece, name) for piece, name, _, _ in string.Formatter().parse(text))


def _fixed(text: str) -> int:
    return sum(len(piece) for piece, _ in pieces(text))


def _pattern(key: str, text: str) -> Pattern:
    seen = set[str]()
    made = ""
    for piece, name in pieces(text):
        made += re.escape(piece)
        if name:
            made += f"(?P={name})" if name in seen else f"(?P<{name}>.*?)"
            seen.add(name)
    return Pattern(key, max((piece for piece, _ in pieces(text)), key=len, default=""), re.compile(made, re.DOTALL))
