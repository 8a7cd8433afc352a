"""The site file over HTTP: read, changed by a merge patch, removed; and what was changed, to be taken back."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Body, Header, Path, Query, Response

from api.http import answers
from api.http.dependencies import OperatorIn, ServicesIn, SiteIn
from api.http.editing import edit_document, editor_of, fault_documents, file_document
from api.http.moments import Before, Since
from api.http.paging import CursorIn, CursorOut, page, within
from api.http.problems import ProblemError, problem
from api.http.shapes import Shape, Time
from collector.editing.change import SiteChange
from collector.editing.editor import Proposal, RefusedEdit
from collector.editing.keep import SiteText
from collector.editing.patch import change_of
from forecaster.domain.errors import NotFound
from forecaster.texts.catalogue import Said

router = APIRouter(prefix="/api/v1", tags=["site file"])

IfMatch = Annotated[str | None, Header(max_length=100, description="The stamp that GET gave, or *.")]
Patch = Annotated[
    dict[str, Any],
    Body(description="JSON merge patch (RFC 7396) on `content`; a list of sections is given whole, in its new order."),
]


class SiteFileOut(Shape):
    """A site file. Secrets are covered; one that is sent back covered stays as it is."""

    site: str
    stamp: str
    content: dict[str, Any]
    text: str


class SiteEditOut(Shape):
    """A change of a site file: who made it, of what part, and its lines, each with its sign first."""

    id: int
    at: Time
    who: str
    part: str
    undoes: int | None
    can_undo: bool
    difference: list[str]


class SiteEditsOut(Shape):
    """Changes of a site file, newest first."""

    site: str
    edits: list[SiteEditOut]
    cursor: CursorOut


class ChangedOut(Shape):
    """The file after a change; `edit` is null where nothing changed, or where it was only checked."""

    stamp: str
    edit: SiteEditOut | None
    difference: list[str]


@router.get("/sites/{site}/file", response_model=SiteFileOut)
def site_file(site: SiteIn, _: OperatorIn, services: ServicesIn) -> Response:
    """The site's file, for those who may change it; its stamp is the ETag."""
    known = editor_of(services).read(site.id)
    answer = answers.json_response(file_document(known))
    answer.headers["ETag"] = f'"{known.stamp}"'
    return answer


@router.patch("/sites/{site}/file", response_model=ChangedOut)
def change_file(
    site: SiteIn, who: OperatorIn, services: ServicesIn, patch: Patch, if_match: IfMatch = None,
    check: Annotated[bool, Query(description="Only check it, and give the difference.")] = False,
) -> Response:  # fmt: skip
    """Change the site's file. It is taken up within seconds. 412 where the file has changed since it was read."""
    editor = editor_of(services)
    known = editor.read(site.id)
    change = change_of(known.content, patch)
    made = editor.proposed(known, change)
    _matched(if_match, known, made)
    if made.faults:
        return problem(422, str(made.faults[0]), errors=fault_documents(made.faults))
    if check:
        return answers.json_response({"stamp": known.stamp, "edit": None, "difference": _signed(made)})
    edit = editor.save(made, who=who.name, part=_part(change))
    now = editor.read(site.id)
    return _changed_to(now, None if edit is None else edit_document(edit), _signed(made))


@router.delete("/sites/{site}/file", response_model=SiteEditOut)
def remove_file(site: SiteIn, who: OperatorIn, services: ServicesIn, if_match: IfMatch = None) -> Response:
    """Remove the site: its file goes, its alarms are closed, its readings stay as long as readings are kept."""
    editor = editor_of(services)
    known = editor.read(site.id)
    _matched(if_match, known, None)
    return answers.json_response(edit_document(editor.remove(known, who=who.name)))


@router.get("/sites/{site}/edits", response_model=SiteEditsOut)
def site_edits(
    site: SiteIn,
    _: OperatorIn,
    services: ServicesIn,
    start: Since = None,
    end: Before = None,
    limit: Annotated[int, Query(ge=1, le=1_000)] = 200,
    cursor: CursorIn = None,
) -> Response:
    """Changes of the site's file that were made with the program in [from, to), newest first."""
    asked = within(services.ledger.edits(site.id), lambda edit: edit.at_ms, start, end)
    shown, more = page(asked, lambda edit: str(edit.id), limit, cursor)
    return answers.json_response({"site": site.id, "edits": [edit_document(edit) for edit in shown], "cursor": more})


@router.post("/sites/{site}/edits/{edit}/undo", response_model=ChangedOut)
def undo_edit(
    site: SiteIn, who: OperatorIn, services: ServicesIn, edit: Annotated[int, Path(ge=1, le=2**53)]
) -> Response:
    """Take a change back. 409 where the same lines were changed again since, or its text is not kept any more."""
    kept = services.ledger.edit(edit)
    if kept.site != site.id:
        raise NotFound(Said("usage.edit", edit_id=edit))
    editor = editor_of(services)
    try:
        made = editor.undo(kept, who=who.name)
    except RefusedEdit as error:
        return problem(422, str(error), errors=fault_documents(error.faults))
    return _changed_to(editor.read(site.id), None if made is None else edit_document(made))


def _part(change: SiteChange) -> str:
    """The parts of the file that a change is about, by their names."""
    named = [name.partition(".")[0] or "house" for name, values in change.tables.items() if values]
    return ", ".join(dict.fromkeys((*named, *change.lists)))[:64]


def _signed(made: Proposal) -> list[str]:
    return [line.sign + line.text for line in made.lines]


def _changed_to(now: SiteText, edit: dict[str, Any] | None, lines: list[str] | None = None) -> Response:
    shown = lines if lines is not None else [] if edit is None else edit["difference"]
    return answers.json_response({"stamp": now.stamp, "edit": edit, "difference": shown})


def _matched(if_match: str | None, known: SiteText, made: Proposal | None) -> None:
    """428 without a stamp, 412 with another than the file's (RFC 9110 section 13.1.1, RFC 6585 section 3)."""
    if if_match is None:
        raise ProblemError(428, Said("edit.no_stamp"))
    given = {part.strip().removeprefix("W/").strip('"') for part in if_match.split(",")}
    if given & {"*", known.stamp}:
        return
    lines = [] if made is None else _signed(made)
    raise ProblemError(
        412, Said("edit.stale_api", file=known.file, lines="\n".join(lines)), {"ETag": f'"{known.stamp}"'}
    )
