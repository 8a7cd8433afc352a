"""A change of a site file from a JSON merge patch (RFC 7396) of its content as it is shown, with secrets covered."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from collector.editing.change import Item, SiteChange, Values, rows_of
from collector.editing.difference import COVER, covered

IDENTITY: Mapping[str, tuple[str, ...]] = {
    "loads": ("name",),
    "contacts": ("name",),
    "channels": ("quantity", "topic", "value", "of"),
}
"""Keys by which the elements of a list are recognised. An element that is not recognised is taken for the former one at
the same place, unless another is."""


def shown(value: Any, key: str = "") -> Any:
    """The content of a site file with its secrets covered."""
    if isinstance(value, Mapping):
        return {name: shown(inner, name) for name, inner in value.items()}
    if isinstance(value, list):
        return [shown(inner, key) for inner in value]
    if key == "webhook_secret":
        return COVER
    return covered(value) if isinstance(value, str) else value


def change_of(content: Mapping[str, Any], patch: Mapping[str, Any]) -> SiteChange:
    """The change that a merge patch asks for. A list is given whole; a value given as it is `shown` stays as it is."""
    tables: dict[str, dict[str, Any]] = {}
    lists: dict[str, tuple[Item, ...]] = {}
    for key, value in patch.items():
        before = content.get(key)
        if key in IDENTITY and (value is None or value == rows_of(patch, key)):
            lists[key] = _items(rows_of(content, key), value or [], IDENTITY[key])
        elif key not in IDENTITY and _within(before, value):
            _table(tables, key, before, value)
        else:
            tables.setdefault("", {}).update(_values({key: before}, {key: value}))
    return SiteChange(tables, lists)


def _within(before: Any, value: Any) -> bool:
    """Whether a patch changes keys within a section; otherwise it gives or removes the whole value.

    An empty section has no keys that could be removed one by one, and what is no section becomes none by a patch.
    """
    if value is None:
        return isinstance(before, Mapping) and bool(before)
    return isinstance(value, Mapping) and (before is None or isinstance(before, Mapping))


def _table(tables: dict[str, dict[str, Any]], name: str, before: Any, value: Mapping[str, Any] | None) -> None:
    known = before if isinstance(before, Mapping) else {}
    given = dict.fromkeys(known) if value is None else value
    inner = {key for key, one in given.items() if _within(known.get(key), one)}
    plain = {key: one for key, one in given.items() if key not in inner}
    tables[name] = dict(_values(known, plain))
    for key in inner:
        _table(tables, f"{name}.{key}", known.get(key), given[key])


def _values(before: Mapping[str, Any], given: Mapping[str, Any]) -> Values:
    """The given values that differ from the former ones; one that is given as it is shown does not differ."""
    return {
        key: value
        for key, value in given.items()
        if before.get(key) is None or (value != before[key] and value != shown(before[key], key))
    }


def _items(before: Sequence[Mapping[str, Any]], after: Sequence[Mapping[str, Any]], keys: tuple[str, ...]) -> Any:
    free = dict(enumerate(before))
    origins: list[int | None] = []
    for row in after:
        same = (place for place, old in free.items() if all(old.get(key) == row.get(key) for key in keys))
        origin = next(same, None)
        free.pop(-1 if origin is None else origin, None)
        origins.append(origin)
    made = []
    for place, (row, known) in enumerate(zip(after, origins, strict=True)):
        origin = place if known is None and place in free else known
        old = {} if origin is None else before[origin]
        made.append(Item(origin, {**dict.fromkeys(old.keys() - row.keys()), **_values(old, row)}))
    return tuple(made)
