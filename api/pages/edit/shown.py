"""A part of a site file as the template shows it: fields with their values and their faults."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from api.pages.edit.fields import LANGUAGE, OWN, PACKS, PUMPS, EditField, EditTable, FieldKind
from api.pages.edit.forms import Form, field_name, section_of, text_of
from collector.editing.change import rows_of
from collector.editing.difference import DiffLine
from forecaster.texts.catalogue import Words
from forecaster.texts.catalogue import words as words_of

ONE_BY_ONE = {"pump": PUMPS, "pack": PACKS}
"""Sections that are not shown where several are described one by one."""

Faults = Mapping[str, str]
"""What is wrong, in words, by the name of the field or group beside which it is shown."""


@dataclass(frozen=True, slots=True)
class ShownField:
    """A field of a form.

    kind : str — a FieldKind; label, unit : str — in words
    value : str — as text; of a secret only what was just filled in
    choices : tuples of the value, its name and whether it is chosen
    fault : str — what is wrong with it, "" for nothing
    kept : str — "kept" for a secret that is in the file, "removed" where it is to be removed; "" for other fields
    usual : str — the value that holds where the field is left empty
    """

    name: str
    kind: str
    label: str
    unit: str
    value: str
    choices: tuple[tuple[str, str, bool], ...]
    fault: str
    kept: str = ""
    usual: str = ""


@dataclass(frozen=True, slots=True)
class ShownGroup:
    """The fields of a section, or of one element of a list.

    first, rest : the fields that are always shown, and those that are seldom needed
    place : str | None — its place in the list, from 1; None: that cannot be changed
    known : bool — whether it is an element in the file, so that it may be removed
    removed : bool — whether the form asks to remove it
    test : str — the contact that may be sent a test message; "" for none
    """

    name: str
    title: str
    hint: str
    first: tuple[ShownField, ...]
    rest: tuple[ShownField, ...]
    fault: str
    place: str | None = None
    known: bool = False
    removed: bool = False
    test: str = ""

    @property
    def rest_open(self) -> bool:
        """Whether something is wrong among the fields that are seldom needed, so that they are to be shown."""
        return any(field.fault for field in self.rest)


@dataclass(frozen=True, slots=True)
class EditContext:
    """The form of a part.

    stamp : str — of the file that the form was made from
    shown : str — stamp of the text that the difference leads to; "" where none is shown
    lines : the difference; nothing : bool — the form was sent and changes nothing
    faults : pairs of the field's name and what is wrong, in words; the name is "" where it is beside no field
    more : further lines below the difference
    """

    part: str
    groups: tuple[ShownGroup, ...]
    stamp: str
    shown: str
    lines: tuple[DiffLine, ...]
    faults: tuple[tuple[str, str], ...]
    nothing: bool
    more: tuple[str, ...] = ()


def groups_of(
    tables: tuple[EditTable, ...], content: Mapping[str, Any], form: Form | None, faults: Faults, words: Words
) -> tuple[ShownGroup, ...]:
    """The groups of a part, as filled in in the form.

    form : Form | None — as it was sent; None: the values of the file
    """
    found: list[ShownGroup] = []
    for table in tables:
        if any(table.name == one and rows_of(content, several.name) for one, several in ONE_BY_ONE.items()):
            continue
        if table.beside and not rows_of(content, table.beside):
            continue
        if not table.listed:
            found.append(_group(table, None, section_of(content, table.name), form, faults, words))
            continue
        rows = rows_of(content, table.name)
        found += [_group(table, n, row, form, faults, words) for n, row in enumerate(rows)]
        found += [_group(table, len(rows) + n, None, form, faults, words) for n in range(table.blanks)]
    return tuple(found)


def _group(
    table: EditTable, row: int | None, before: Mapping[str, Any] | None, form: Form | None, faults: Faults, words: Words
) -> ShownGroup:
    values = before or {}
    shown = [(field, _field(table, row, field, values.get(field.key), form, faults, words)) for field in table.fields]
    place = table.name if row is None else f"{table.name}[{row}]"
    key = f"edit.group.{table.beside or table.name.replace('.', '_') or 'house'}"
    title = words(key) if row is None or before is None else str(before.get("name") or _first(table, before, words))
    if row is not None and before is None:
        title = words(f"edit.another.{table.name}")
    return ShownGroup(
        name=place,
        title=title,
        hint=words(f"{key}.hint") if f"{key}.hint" in words and (row is None or row == 0) else "",
        first=tuple(one for field, one in shown if not field.rest),
        rest=tuple(one for field, one in shown if field.rest),
        fault=faults.get(place, ""),
        place=_filled(form, f"{place}.place", str((row or 0) + 1)) if table.ordered and row is not None else None,
        known=row is not None and before is not None,
        removed=bool(form and form.get(f"{place}.remove")),
        test=str(values.get("name", "")) if table.name == "contacts" and before is not None else "",
    )


def _first(table: EditTable, before: Mapping[str, Any], words: Words) -> str:
    """What an element without a name is called: the value of its first field, in words where there are some."""
    field = table.fields[0]
    value = str(before.get(field.key, ""))
    named = f"{field.said}{value}"
    return words(named) if field.said and named in words else value


def _filled(form: Form | None, name: str, value: str) -> str:
    return value if form is None else form.get(name, value)


def _field(
    table: EditTable, row: int | None, field: EditField, value: Any, form: Form | None, faults: Faults, words: Words
) -> ShownField:
    name = field_name(table, row, field.key)
    text = text_of(field, value)
    if form is not None:
        text = form.get(name, "" if field.kind is FieldKind.YES else text)
    choices = tuple((choice, _choice(field, choice, words), choice == text) for choice in field.choices)
    if field.kind is FieldKind.KINDS:
        chosen = set(value or ()) if form is None else {c for c in field.choices if form.get(f"{name}.{c}")}
        choices = tuple((choice, said, choice in chosen) for choice, said, _ in choices)
    elif field.kind is FieldKind.CHOICE:
        choices = (("", words("edit.usual"), text == ""), *choices)
        if text and not any(chosen for _, _, chosen in choices):
            choices = (*choices, (text, text, True))
    kept = ""
    if field.kind is FieldKind.SECRET and value is not None:
        kept = "removed" if form is not None and form.get(f"{name}.remove") else "kept"
    unit = field.shown_unit
    unit = words(f"edit.limit_unit.{unit}") if unit in ("run", "rate", "share", "days") else unit
    return ShownField(
        name, field.kind, words(field.label), unit, text, choices, faults.get(name, ""), kept, field.usual
    )


def _choice(field: EditField, choice: str, words: Words) -> str:
    if field.said == LANGUAGE:
        return words_of(choice)("language.name")
    if field.said == OWN:
        return words(f"edit.choice.{field.key}.{choice}")
    return words(f"{field.said}{choice}") if field.said else choice
