"""The difference of two texts of a site file as people see it, with secrets covered."""

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


class DiffLine(NamedTuple):
    """A line: its sign ("+", "-", " ", or "@" where lines are left out) and its text without the line's end."""

    sign: str
    text: str


def difference(before: str, after: str) -> list[DiffLine]:
    """What changed between two texts. A secret that changed is said to have changed, and not shown."""
    old, new = _covered(before, COVER), _covered(after, COVER)
    if _secrets(before) != _secrets(after):
        new = _covered_apart(before, after)
    lines = difflib.unified_diff(old.splitlines(), new.splitlines(), lineterm="", n=CONTEXT)
    found = [DiffLine("@", "") if line.startswith("@@") else DiffLine(line[:1], line[1:]) for line in lines]
    return found[3:]  # the names of the files, and the place of the first lines


def covered(text: str) -> str:
    """A text without its secrets."""
    return _covered(text, COVER)


def _covered(text: str, cover: str) -> str:
    return USER.sub(rf"\1{COVER}@", SECRET.sub(rf'\1"{cover}"', text))


def _secrets(text: str) -> list[str]:
    return [found[0] for found in SECRET.finditer(text)] + [found[0] for found in USER.finditer(text)]


def _covered_apart(before: str, after: str) -> str:
    """The newer text with secrets that were not there before marked as changed."""
    known = set(_secrets(before))

    def secret(found: re.Match[str]) -> str:
        return f'{found[1]}"{COVER if found[0] in known else CHANGED}"'

    def user(found: re.Match[str]) -> str:
        return f"{found[1]}{COVER if found[0] in known else CHANGED}@"

    return USER.sub(user, SECRET.sub(secret, after))
