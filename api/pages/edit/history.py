"""What was changed lately, as lines of a page."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from api.http.editing import lines_of, may_undo
from collector.editing.difference import DiffLine
from collector.editing.editor import REMOVED, UNDONE
from forecaster.domain.records import SiteEdit
from forecaster.domain.site import Site, Units
from forecaster.texts.catalogue import Words
from forecaster.texts.wording import Wording


@dataclass(frozen=True, slots=True)
class EditLine:
    """A change: when, who, what of, its lines, and whether it can be taken back."""

    id: int
    at: str
    who: str
    says: str
    lines: tuple[DiffLine, ...]
    can_undo: bool


def edit_lines(edits: Sequence[SiteEdit], site: Site, words: Words, now_ms: int) -> tuple[EditLine, ...]:
    """The changes of a site's file, newest first. One that was taken back since is not offered again."""
    undone = {edit.undoes for edit in edits if edit.undoes is not None}
    back = {edit.undoes for edit in edits if edit.undoes is not None and edit.id in undone}
    wording = Wording.of(site, words)
    return tuple(
        EditLine(
            edit.id, wording.clock(edit.at_ms, now_ms), edit.who, part_said(edit.part, words), tuple(lines_of(edit)),
            may_undo(edit) and (edit.id not in undone or edit.id in back),
        )
        for edit in edits
    )  # fmt: skip


def when(edit: SiteEdit, words: Words, now_ms: int) -> str:
    """How long ago a change was made."""
    return Wording("UTC", Units.METRIC, words).ago((now_ms - edit.at_ms) / 1000.0)


def part_said(part: str, words: Words) -> str:
    """What a change is about, in words; parts of the file that have no form of their own by their names."""
    named = []
    for name in part.split(", "):
        key = f"edit.did.{name}" if name in (REMOVED, UNDONE) else f"edit.part.{name}"
        named.append(words(key) if key in words else name)
    return ", ".join(named)
