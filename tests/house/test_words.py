"""One catalogue of words: every language has the same keys and blanks, every key is used, every use exists."""

from __future__ import annotations

import re
import string
from pathlib import Path

import pytest

from forecaster.texts.catalogue import SOURCE, languages, words

ROOT = Path(__file__).resolve().parents[2]
OTHERS = [code for code in languages() if code != SOURCE]
PLURALS = ("zero", "one", "two", "few", "many", "other")
SECTIONS = {key.partition(".")[0] for key in words().texts}
BUILT = {"language"}
"""Sections that the catalogue itself reads."""


def blanks(text: str) -> set[str]:
    return {name for _, name, _, _ in string.Formatter().parse(text) if name}


def stem(key: str) -> str:
    """A key without its plural category."""
    start, _, last = key.rpartition(".")
    return start if last in PLURALS and f"{start}.other" in words().texts else key


def sources() -> str:
    """All code and templates in which words are asked for."""
    files = [path for part in ("api", "collector", "forecaster") for path in (ROOT / part).rglob("*.py")]
    files += (ROOT / "api" / "pages" / "templates").glob("*.html")
    return "\n".join(path.read_text(encoding="utf-8") for path in sorted(files))


@pytest.mark.parametrize("code", OTHERS)
def test_a_language_lacks_no_word_and_has_none_of_its_own(code: str) -> None:
    ours, theirs = {stem(key) for key in words().texts}, {stem(key) for key in words(code).texts}
    assert not ours - theirs, f"{code}.toml lacks: {', '.join(sorted(ours - theirs))}"
    assert not theirs - ours, f"{code}.toml has what en.toml has not: {', '.join(sorted(theirs - ours))}"


@pytest.mark.parametrize("code", OTHERS)
def test_a_language_keeps_the_blanks(code: str) -> None:
    ours, theirs = words().texts, words(code).texts
    wrong = [
        f"{key}: {sorted(blanks(theirs[key]))} for {sorted(blanks(ours[key]))}"
        for key in sorted(set(ours) & set(theirs))
        if blanks(theirs[key]) != blanks(ours[key])
    ]
    assert not wrong, "\n".join(wrong)


def asked_for(source: str) -> tuple[set[str], set[str]]:
    """Keys asked for as they stand, and the fixed beginnings of those that are put together."""
    quoted = set(re.findall(r"""(["'])((?:[a-z_]+\.)[A-Za-z0-9_.-]+)\1""", source))
    whole = {key for _, key in quoted if key.partition(".")[0] in SECTIONS}
    stems = set(re.findall(r"""["']([a-z_]+\.[a-z_.-]*)(?:\{|["'] ~)""", source))
    return whole, {start for start in stems if start.partition(".")[0] in SECTIONS}


def test_every_word_that_is_asked_for_is_there() -> None:
    source = sources()
    calls = set(
        re.findall(r"""(?:\bt|[\w.]*\bwords|words\(\)|said|say)\(\s*f?["']([a-z_]+\.[A-Za-z_.0-9-]+)["']""", source)
    )
    known = words().texts.keys()
    missing = {key for key in calls if key not in known and f"{key}.other" not in known}
    assert {key for key in missing if not key.endswith(("_", "."))} == set()


def test_every_word_is_asked_for() -> None:
    whole, stems = asked_for(sources())
    unused = {
        key
        for key in words().texts
        if stem(key) not in whole and key.partition(".")[0] not in BUILT and not key.startswith(tuple(stems))
    }
    assert unused == set()
