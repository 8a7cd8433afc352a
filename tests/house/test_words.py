"""One catalogue of words: every word that is asked for exists, and every word is asked for."""

from __future__ import annotations

import re
from pathlib import Path

from forecaster.texts.catalogue import words

ROOT = Path(__file__).resolve().parents[2]
PLURALS = ("zero", "one", "two", "few", "many", "other")
SECTIONS = {key.partition(".")[0] for key in words().texts}
BUILT = {"language", "typed"}
"""Sections that the catalogue itself reads: signs of a language, and sentences that a library makes."""


def stem(key: str) -> str:
    """A key without its plural category."""
    start, _, last = key.rpartition(".")
    return start if last in PLURALS and f"{start}.other" in words().texts else key


def sources() -> str:
    """All code and templates in which words are asked for."""
    files = [path for part in ("api", "collector", "forecaster") for path in (ROOT / part).rglob("*.py")]
    files += (ROOT / "api" / "pages" / "templates").glob("*.html")
    return "\n".join(path.read_text(encoding="utf-8") for path in sorted(files))


def asked_for(source: str) -> tuple[set[str], set[str]]:
    """Keys asked for as they stand, and the fixed beginnings of those that are put together."""
    quoted = set(re.findall(r"""(["'])((?:[a-z_]+\.)[A-Za-z0-9_.-]+)\1""", source))
    whole = {key for _, key in quoted if key.partition(".")[0] in SECTIONS}
    stems = set(re.findall(r"""["']([a-z_]+\.[a-z_.-]*)(?:\{|["'] ~)""", source))
    return whole, {start for start in stems if start.partition(".")[0] in SECTIONS}


def test_every_word_that_is_asked_for_is_there() -> None:
    calls = set(
        re.findall(r"""(?:\bt|[\w.]*\bwords|words\(\)|said|say|Said)\(\s*["']([a-z_]+\.[\w.-]+)["']""", sources())
    )
    known = words().texts.keys()
    whole = {key for key in calls if not key.endswith(("_", "."))}  # the rest are put together in a template
    missing = {key for key in whole if key not in known and f"{key}.other" not in known}
    assert not missing, f"en.toml lacks: {', '.join(sorted(missing))}"


def test_every_word_is_asked_for() -> None:
    whole, stems = asked_for(sources())
    unused = {
        key
        for key in words().texts
        if stem(key) not in whole and key.partition(".")[0] not in BUILT and not key.startswith(tuple(stems))
    }
    assert not unused, f"nothing asks for: {', '.join(sorted(unused))}"
