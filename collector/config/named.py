"""Names in settings and site files: what nobody sees in them is refused where somebody writes, and marked elsewhere."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated, Any

from pydantic import AfterValidator

from collector.config.refused import Refused
from forecaster.domain.errors import ConfigError
from forecaster.domain.names import marked
from forecaster.texts.catalogue import Said
from forecaster.texts.reading import unreadable

IN_LISTS = {"loads": "name", "contacts": "name", "channels": "of"}
"""Sections of which there may be many, and the key of each that holds a name."""


def readable(text: str) -> str:
    """A text without what nobody sees; Refused where it holds some."""
    wrong = unreadable(text)
    if wrong is not None:
        raise Refused(*wrong)
    return text


def _name(text: str) -> str:
    if not text.strip():
        raise Refused(Said("config.it_is_empty"), Said("config.type_it_anew"))
    return readable(text)


Name = Annotated[str, AfterValidator(_name)]
"""A name that people read."""

NoName = Annotated[str, AfterValidator(readable)]
"""The same, or nothing."""


def names_marked(content: dict[str, Any], file: str) -> tuple[dict[str, Any], tuple[str, ...]]:
    """The content of a site file with a mark in place of what nobody sees in its names, and a line on each such name.

    A house goes on being watched, and its people told, whatever stands in a name.
    """
    lines: list[str] = []

    def shown(value: Any, key: str) -> Any:
        wrong = unreadable(value) if isinstance(value, str) else None
        if wrong is None:
            return value
        lines.append(str(ConfigError(file, key, *wrong)))
        return marked(value)

    return {key: _within(key, value, shown) for key, value in content.items()}, tuple(lines)


def _within(key: str, value: Any, shown: Callable[[Any, str], Any]) -> Any:
    if key == "name":
        return shown(value, key)
    if key == "groups" and isinstance(value, list):
        return [shown(one, f"groups[{place}]") for place, one in enumerate(value)]
    if key == "away" and isinstance(value, dict) and isinstance(value.get("look_after"), list):
        kept = [shown(one, f"away.look_after[{place}]") for place, one in enumerate(value["look_after"])]
        return {**value, "look_after": kept}
    inner = IN_LISTS.get(key)
    if inner is None or not isinstance(value, list):
        return value
    return [
        {**one, inner: shown(one[inner], f"{key}[{place}].{inner}")} if isinstance(one, dict) and inner in one else one
        for place, one in enumerate(value)
    ]
