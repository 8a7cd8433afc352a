"""What the form of a part leads to: faults beside their fields, the difference that it would make, or the change."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from api.pages.edit.fields import PARTS, EditTable, FieldKind
from api.pages.edit.forms import Form, FormChange, change_in, field_name
from api.pages.edit.shown import EditContext, groups_of
from collector.editing.change import rows_of
from collector.editing.editor import Proposal, SiteEditor
from collector.editing.keep import SiteText, stamp_of
from forecaster.domain.errors import ConfigError
from forecaster.texts.catalogue import Words


def opened(part: str, known: SiteText, words: Words) -> EditContext:
    """The form of a part, filled in from the file as it is. part : str — a key of PARTS"""
    groups = groups_of(PARTS[part], known.content, None, {}, words)
    return EditContext(part, groups, known.stamp, "", (), (), nothing=False)


def asked(editor: SiteEditor, part: str, known: SiteText, form: Form) -> tuple[FormChange, Proposal]:
    """What a form asks for, and what that would make of the file.

    A value that cannot be read is a fault of the proposal; what else is wrong with its field is left out.
    """
    wanted = change_in(PARTS[part], known.content, form, known.file)
    made = editor.proposed(known, wanted.change)
    unread = {fault.key for fault in wanted.faults}
    others = tuple(fault for fault in made.faults if wanted.field_of(fault.key) not in unread)
    faults = (*wanted.faults, *others)
    return wanted, Proposal(known, "", faults, ()) if faults else made


def answered(part: str, known: SiteText, form: Form, wanted: FormChange, made: Proposal, words: Words) -> EditContext:
    """The form as it was filled in: with its faults beside their fields, or with the difference that it would make."""
    names = _names(PARTS[part], known.content)
    beside: dict[str, str] = {}
    listed: list[tuple[str, str]] = []
    for fault in made.faults:
        name, said = _beside(wanted.field_of(fault.key), names), _said(fault, words)
        if name:
            beside[name] = f"{beside[name]} {said}" if name in beside else said
        listed.append((name, said if name else f"{fault.key}: {said}" if fault.key else said))
    groups = groups_of(PARTS[part], known.content, form, beside, words)
    shown = stamp_of(made.text) if made.lines else ""
    nothing = not made.faults and not made.lines
    return EditContext(part, groups, known.stamp, shown, made.lines, tuple(listed), nothing)


def seen(made: Proposal, form: Form) -> bool:
    """Whether a form asks to save, and was sent from a page that showed the very difference that it leads to."""
    return bool(made.lines) and form.get("do") == "save" and form.get("shown") == stamp_of(made.text)


def _names(tables: tuple[EditTable, ...], content: Mapping[str, Any]) -> set[str]:
    """The names of all fields and groups of a part, as they are in the form."""
    found: set[str] = set()
    for table in tables:
        count = len(rows_of(content, table.name)) + table.blanks if table.listed else 1
        for row in range(count):
            place = row if table.listed else None
            found |= {
                field_name(table, place, field.key) for field in table.fields if field.kind is not FieldKind.KINDS
            }
            found.add(f"{table.name}[{row}]" if table.listed else table.name)
    return found - {""}


def _beside(key: str, names: set[str]) -> str:
    """The name of the field or group that a key of the file belongs to; "" where that is in another part."""
    while key and key not in names:
        key = key.rpartition("[" if key.endswith("]") else ".")[0]
    return key


def _said(fault: ConfigError, words: Words) -> str:
    return words("edit.fault", problem=fault.problem, fix=fault.fix)
