"""The difference between two texts of a site file as it is shown to people, with secrets covered."""

from __future__ import annotations

import difflib
import re
from typing import NamedTuple

SECRET = re.compile(
    r"""(webhook_secret\s*=\s*)(?:\"{3}.*?\"{3}|'{3}.*?'{3}|"(?:\\.|[^"\\\n])*"|'[^'\n]*')""", re.DOTALL
)
USER = re.compile(r"(://)[^/\s@\"']+@")
COVER = "•••"
CHANGED = "••• *"
CONTEXT = 2
"""Unchanged lines shown before and after each change."""


class DiffLine(NamedTuple):
    """A line: its sign ("+", "-", " ", or "@" where lines are left out) and its text without the line's end."""

    sign: str
    text: str


def difference(before: str, after: str) -> list[DiffLine]:
    """The lines that differ between two texts, with some around them. A changed secret is marked so, not shown."""
    old, new = _covered(before, COVER), _covered(after, COVER)
    if _secrets(before) != _secrets(after):
        new = _covered_apart(before, after)
    lines = difflib.unified_diff(old.splitlines(), new.splitlines(), lineterm="", n=CONTEXT)
    found = [DiffLine("@", "") if line.startswith("@@") else DiffLine(line[:1], line[1:]) for line in lines]
    return found[3:]  # without the names of the files and the first "@"


def covered(text: str) -> str:
    """A text with its secrets covered: webhook secrets, and user names and passwords in addresses."""
    return _covered(text, COVER)


def _covered(text: str, cover: str) -> str:
    return USER.sub(rf"\1{COVER}@", SECRET.sub(rf'\1"{cover}"', text))


def _secrets(text: str) -> list[str]:
    return [found[0] for found in SECRET.finditer(text)] + [found[0] for found in USER.finditer(text)]


def _covered_apart(before: str, after: str) -> str:
    """The newer text with its secrets covered, those that were not in the older one marked as changed."""
    known = set(_secrets(before))

    def secret(found: re.Match[str]) -> str:
        return f'{found[1]}"{COVER if found[0] in known else CHANGED}"'

    def user(found: re.Match[str]) -> str:
        return f"{found[1]}{COVER if found[0] in known else CHANGED}@"

    return USER.sub(user, SECRET.sub(secret, after))
