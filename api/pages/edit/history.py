"""The latest changes of a site file, as lines of a page."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from api.http.editing import lines_of, may_undo
from collector.editing.carrying import BY_HAND
from collector.editing.difference import DiffLine
from collector.editing.editor import REMOVED, UNDONE
from forecaster.domain.records import SiteEdit
from forecaster.domain.site import Site, Units
from forecaster.texts.catalogue import Words
from forecaster.texts.wording import Wording


@dataclass(frozen=True, slots=True)
class EditLine:
    """A change of a site file.

    at, who, says : str — when and by whom it was made, and what it is about, as shown
    lines : the difference that it made; can_undo : bool — whether it can be taken back
    """

    id: int
    at: str
    who: str
    says: str
    lines: tuple[DiffLine, ...]
    can_undo: bool


def edit_lines(edits: Sequence[SiteEdit], site: Site, words: Words, now_ms: int) -> tuple[EditLine, ...]:
    """Changes of a site's file as lines, in the order of `edits`.

    One that was taken back cannot be taken back again, unless that itself was taken back. now_ms : UTC milliseconds
    """
    undone: set[int] = set()
    for edit in sorted(edits, key=lambda one: -one.id):
        if edit.undoes is not None and edit.id not in undone:
            undone.add(edit.undoes)
    wording = Wording.of(site, words)
    return tuple(
        EditLine(
            edit.id, wording.clock(edit.at_ms, now_ms), edit.who, part_said(edit.part, words), tuple(lines_of(edit)),
            may_undo(edit) and edit.id not in undone,
        )
        for edit in edits
    )  # fmt: skip


def when(edit: SiteEdit, words: Words, now_ms: int) -> str:
    """How long ago a change was made, in words. now_ms : int — UTC milliseconds"""
    return Wording("UTC", Units.METRIC, words).ago((now_ms - edit.at_ms) / 1000.0)


def part_said(part: str, words: Words) -> str:
    """What a change is about, in words. part : str — as in `SiteEdit`; a part without words stands as it is"""
    named = []
    for name in part.split(", "):
        key = f"edit.did.{name}" if name in (REMOVED, UNDONE, BY_HAND) else f"edit.part.{name}"
        named.append(words(key) if key in words else name)
    return ", ".join(named)
