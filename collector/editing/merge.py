"""Takes back a change of a text although other lines have changed since: a merge of three texts, line by line."""

from __future__ import annotations

from collections.abc import Sequence
from difflib import SequenceMatcher
from typing import NamedTuple


class Hunk(NamedTuple):
    """Lines [start, end) of the common text, counted from 0, and what replaces them."""

    start: int
    end: int
    lines: tuple[str, ...]


def taken_back(before: str, after: str, now: str) -> str | None:
    """The text as it is now, without the change from `before` to `after`.

    None where lines of that change, or next to it, have changed since.
    """
    base, theirs, ours = (text.splitlines(keepends=True) for text in (after, before, now))
    wanted, since = _hunks(base, theirs), _hunks(base, ours)
    left = [hunk for hunk in wanted if hunk not in since]  # the others have been taken back already
    if any(_touch(one, other) for one in left for other in since):
        return None
    made: list[str] = []
    at = 0
    for hunk in sorted((*left, *since)):
        made += base[at : hunk.start]
        made += hunk.lines
        at = hunk.end
    return "".join((*made, *base[at:]))


def _hunks(base: Sequence[str], other: Sequence[str]) -> list[Hunk]:
    codes = SequenceMatcher(None, base, other, autojunk=False).get_opcodes()
    return [Hunk(i, j, tuple(other[k:m])) for tag, i, j, k, m in codes if tag != "equal"]


def _touch(one: Hunk, other: Hunk) -> bool:
    """Whether two hunks overlap or adjoin."""
    return one.start <= other.end and other.start <= one.end
