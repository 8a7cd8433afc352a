"""Reads from the form of a part of a site file the change that it asks for: only fields that differ from it count."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from api.pages.edit.fields import EditField, EditTable, FieldKind
from api.pages.edit.rainrows import rain_rows, rows_text
from api.pages.siteform import BETWEEN
from collector.config.refused import Refused
from collector.config.written import written
from collector.editing.change import Item, SiteChange, plain, rows_of
from collector.editing.difference import covered
from forecaster.domain.errors import ConfigError
from forecaster.texts.catalogue import Said

Form = Mapping[str, str]
YES = "yes"


@dataclass(frozen=True, slots=True)
class FormChange:
    """What a form asks for.

    faults : one for each value that cannot be read
    rows : by list section, the row of the form from which each element after the change comes, both from 0
    """

    change: SiteChange
    faults: tuple[ConfigError, ...]
    rows: Mapping[str, tuple[int, ...]]

    def field_of(self, key: str) -> str:
        """The name in the form of a key of the changed file: the same, but for the number of an element in a list."""
        found = re.match(r"(\w+)\[(\d+)\](.*)", key)
        if found is None or found[1] not in self.rows:
            return key
        rows, place = self.rows[found[1]], int(found[2])
        return f"{found[1]}[{rows[place] if place < len(rows) else place}]{found[3]}"


def field_name(table: EditTable, row: int | None, key: str) -> str:
    """The name of a field in the form. row : int | None — of an element in a list, from 0; None: it is no list"""
    place = table.name if row is None else f"{table.name}[{row}]"
    return f"{place}.{key}" if place else key


def text_of(field: EditField, value: Any) -> str:
    """A value of the file as a form shows it; "" for none and for a secret."""
    if value is None or field.kind is FieldKind.SECRET:
        return ""
    if field.kind is FieldKind.YES:
        return YES if value is True else ""
    if field.kind is FieldKind.ROWS:
        return rows_text(value)
    if isinstance(value, list):
        return (" – " if field.kind is FieldKind.RANGE else ", ").join(map(_said, value))
    return covered(_said(value))


def _said(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    return f"{value:.12g}" if isinstance(value, float) else str(value)


def section_of(content: Mapping[str, Any], name: str) -> Mapping[str, Any]:
    """A section of the content by its dotted name; empty where there is none."""
    found: Any = content
    for part in name.split(".") if name else []:
        found = found.get(part) if isinstance(found, Mapping) else None
    return found if isinstance(found, Mapping) else {}


def change_in(tables: tuple[EditTable, ...], content: Mapping[str, Any], form: Form, file: str) -> FormChange:
    """The change that a form asks for.

    content : of the file as it stands; file : str — the name given in errors
    """
    reading = _Reading(content, form, file)
    for table in tables:
        if table.listed:
            reading.take_list(table)
        else:
            reading.take_table(table)
    return FormChange(SiteChange(reading.tables, reading.lists), tuple(reading.faults), reading.rows)


class _Reading:
    """Reads a form: collects changes and faults table by table."""

    def __init__(self, content: Mapping[str, Any], form: Form, file: str) -> None:
        self.content, self.form, self.file = content, form, file
        self.tables: dict[str, Mapping[str, Any]] = {}
        self.lists: dict[str, tuple[Item, ...]] = {}
        self.rows: dict[str, tuple[int, ...]] = {}
        self.faults: list[ConfigError] = []

    def take_table(self, table: EditTable) -> None:
        """Take in the values of a section that differ from the file."""
        values = self._values(table, None, section_of(self.content, table.name))
        if values:
            self.tables[table.name] = values

    def take_list(self, table: EditTable) -> None:
        """Take in the elements of a list in the order of their places, without those to be removed."""
        before = rows_of(self.content, table.name)
        kept: list[tuple[float, int, Item]] = []
        for row in range(len(before) + table.blanks):
            known = row < len(before)
            if self.form.get(field_name(table, row, "remove")):
                continue
            values = self._values(table, row, before[row] if known else {})
            if known or values:
                kept.append((self._place(table, row), row, Item(row if known else None, values)))
        kept.sort(key=lambda one: one[:2])
        self.rows[table.name] = tuple(row for _, row, _ in kept)
        items = tuple(item for _, _, item in kept)
        if items != tuple(Item(row) for row in range(len(before))):
            self.lists[table.name] = items

    def _place(self, table: EditTable, row: int) -> float:
        text = self.form.get(field_name(table, row, "place"), "").strip()
        return float(text) if re.fullmatch(r"\d{1,4}", text) else row + 1.0

    def _values(self, table: EditTable, row: int | None, before: Mapping[str, Any]) -> dict[str, Any]:
        found: dict[str, Any] = {}
        for field in table.fields:
            name = field_name(table, row, field.key)
            try:
                differs, value = self._value(field, name, before.get(field.key))
            except Refused as error:
                self.faults.append(ConfigError(self.file, name, error.problem, error.fix))
                differs, value = True, before.get(field.key)
            if differs:
                found[field.key] = value
        return found

    def _value(self, field: EditField, name: str, before: Any) -> tuple[bool, Any]:
        """Whether a field differs from the file, and its value in the form; None for an empty one. Errors: Refused."""
        if field.kind is FieldKind.KINDS:
            chosen = [choice for choice in field.choices if self.form.get(f"{name}.{choice}")]
            return set(chosen) != set(before or ()), chosen or None
        shown = text_of(field, before)
        text = self.form.get(name, "" if field.kind is FieldKind.YES else shown)
        text = text.replace("\r\n", "\n")
        text = text.strip() if field.kind is not FieldKind.LONG else text
        if field.kind is FieldKind.SECRET:
            gone = bool(self.form.get(f"{name}.remove"))
            return bool(text) or (gone and before is not None), text or None
        return text != shown, value_of(field, text) if text else None


def value_of(field: EditField, text: str) -> Any:
    """The value that a text in a form stands for. Errors: Refused where it cannot be read."""
    if field.kind is FieldKind.NUMBER:
        return plain(written(text, field.unit))
    if field.kind is FieldKind.RANGE:
        ends = [plain(written(part, field.unit)) for part in re.split(BETWEEN, text) if part]
        return ends[0] if len(ends) == 1 else ends
    if field.kind is FieldKind.WORDS:
        return [part.strip() for part in text.split(",") if part.strip()]
    if field.kind is FieldKind.MARKS:
        return [_mark(part.strip()) for part in text.split(",") if part.strip()]
    if field.kind is FieldKind.ROWS:
        return rain_rows(text)
    if field.kind is FieldKind.DAY:
        return _day(text)
    return True if field.kind is FieldKind.YES else text


def _mark(text: str) -> str | int | float | bool:
    if text in {"true", "false"}:
        return text == "true"
    return plain(float(text)) if re.fullmatch(r"-?\d{1,9}(\.\d{1,9})?", text) else text


def _day(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError as error:
        raise Refused(Said("edit.no_day", text=text), Said("edit.no_day_mend")) from error
