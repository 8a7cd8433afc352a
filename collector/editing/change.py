"""A change of a site file: which keys of which sections get which values, and what the content is after it."""

from __future__ import annotations

from collections.abc import Mapping
from copy import deepcopy
from dataclasses import dataclass, field
from typing import Any

Values = Mapping[str, Any]
"""New values by key. None removes the key; a key that is not named stays as it is."""


@dataclass(frozen=True, slots=True)
class Item:
    """One element of a list section after a change.

    origin : int | None — its place in the list before the change, from 0; None: it is new
    values : Values — what changes in it
    """

    origin: int | None
    values: Values = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class SiteChange:
    """What changes in a site file.

    tables : new values by section: "" for the keys before the first section, "alarms.limits" for one within another
    lists : for each list section all its elements in their new order; an element that is not named is removed
    """

    tables: Mapping[str, Values] = field(default_factory=dict)
    lists: Mapping[str, tuple[Item, ...]] = field(default_factory=dict)

    @property
    def empty(self) -> bool:
        """Whether nothing is named in it."""
        return not any(self.tables.values()) and not self.lists


def changed(content: Mapping[str, Any], change: SiteChange) -> dict[str, Any]:
    """The content of a site file after a change, as a new dict. A section that loses its last key is removed."""
    after = deepcopy(dict(content))
    for name, values in change.tables.items():
        path = name.split(".") if name else []
        _merge(after, path, values)
    for name, items in change.lists.items():
        before = rows_of(content, name)
        made = [_item(before, item) for item in items]
        if made:
            after[name] = made
        else:
            after.pop(name, None)
    return after


def _merge(content: dict[str, Any], path: list[str], values: Values) -> None:
    """Put values into the section at a path; no values leave it as it is, or missing."""
    if not values:
        return
    if not path:
        for key, value in values.items():
            if value is None:
                content.pop(key, None)
            else:
                content[key] = value
        return
    inner = content.get(path[0])
    if not isinstance(inner, dict):
        inner = content[path[0]] = {}
    _merge(inner, path[1:], values)
    if not inner:
        del content[path[0]]


def _item(before: list[dict[str, Any]], item: Item) -> dict[str, Any]:
    made = {} if item.origin is None else deepcopy(before[item.origin])
    _merge(made, [], item.values)
    return made


def rows_of(content: Mapping[str, Any], key: str) -> list[dict[str, Any]]:
    """The elements of a list section; none where the value is anything else, which the check of the file reports."""
    value = content.get(key)
    return list(value) if isinstance(value, list) and all(isinstance(row, dict) for row in value) else []


def plain(value: Any) -> Any:
    """The value, a whole number as int, so that it is written without a decimal point."""
    return int(value) if isinstance(value, float) and value.is_integer() and abs(value) < 1e15 else value
