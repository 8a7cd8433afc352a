"""The words of the pages: one file a language, looked up by dotted key, filled in safely."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from functools import cache
from pathlib import Path

from markupsafe import Markup, escape

FOLDER = Path(__file__).with_name("texts")


class Words:
    """All texts of one language. A missing key is an error at once, not a blank on a page."""

    def __init__(self, texts: Mapping[str, str]) -> None:
        self._texts = texts

    def __call__(self, key: str, /, **values: object) -> str:
        """A text as plain words; templates escape it."""
        return self._texts[key].format(**values) if values else self._texts[key]

    def marked(self, key: str, /, **values: object) -> Markup:
        """A text in which what is filled in stands out; everything is escaped."""
        shown = {name: Markup("<b>{}</b>").format(value) for name, value in values.items()}
        return Markup(escape(self._texts[key])).format(**shown)

    def keys(self) -> frozenset[str]:
        """All keys, for comparing translations."""
        return frozenset(self._texts)


@cache
def words(language: str = "en") -> Words:
    """The texts of a language."""
    with (FOLDER / f"{language}.toml").open("rb") as file:
        return Words(dict(_flat("", tomllib.load(file))))


def _flat(prefix: str, tree: Mapping[str, object]) -> list[tuple[str, str]]:
    found: list[tuple[str, str]] = []
    for key, value in tree.items():
        if isinstance(value, Mapping):
            found += _flat(f"{prefix}{key}.", value)
        else:
            found.append((f"{prefix}{key}", str(value)))
    return found
