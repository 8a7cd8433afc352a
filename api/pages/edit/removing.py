"""Addresses at which a site is removed, after asking twice, and at which removed sites are brought back."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Form, Request, Response
from fastapi.responses import RedirectResponse

from api.http.dependencies import OperatorIn, PrincipalIn, ServicesIn, SiteIn
from api.http.editing import editor_of, may_undo
from api.http.problems import ProblemError
from api.http.security import Principal
from api.pages.edit.fields import LONGEST_NAME
from api.pages.edit.history import when
from api.pages.guard import CallerIn, CheckedIn, PageRoute
from api.pages.render import page
from api.pages.speech import WordsIn
from api.process.services import Services
from collector.editing.editor import REMOVED
from collector.editing.keep import StaleEdit, site_path
from forecaster.domain.errors import NotFound
from forecaster.domain.names import legible
from forecaster.domain.records import SiteEdit
from forecaster.texts.catalogue import Said

router = APIRouter(route_class=PageRoute, include_in_schema=False)

MOST = 200
"""How many of the latest changes are searched for removed sites."""


@router.get("/sites/{site}/edit/remove")
def removal(request: Request, site: SiteIn, services: ServicesIn, caller: CallerIn, _: OperatorIn) -> Response:
    """Ask for the first time whether to remove a site, and say what becomes of its data and alarms."""
    stamp = editor_of(services).read(site.id).stamp
    return page(
        request, "remove.html", caller, site_id=site.id, name=site.name, stamp=stamp, asked=False, wrong=False,
        days=round(services.installation.retention.readings_days),
    )  # fmt: skip


@router.post("/sites/{site}/edit/remove")
def remove(
    request: Request, site: SiteIn, services: ServicesIn, caller: CheckedIn, stamp: Annotated[str, Form(max_length=40)],
    named: Annotated[str, Form(max_length=LONGEST_NAME)] = "", do: Annotated[str, Form(max_length=10)] = "ask",
    by: Annotated[str, Form(max_length=LONGEST_NAME)] = "",
) -> Response:  # fmt: skip
    """Ask once more, for the site's short name; where that is given, remove the file. Errors: StaleEdit."""
    editor = editor_of(services)
    known = editor.read(site.id)
    if stamp != known.stamp:
        raise StaleEdit(known)
    if do == "remove" and named.strip() == site.id:
        editor.remove(known, who=legible(by.strip()) or caller.name)
        return RedirectResponse("/removed", status_code=303)
    wrong = do == "remove"
    return page(
        request, "remove.html", caller, status=422 if wrong else 200, site_id=site.id, name=site.name, stamp=stamp,
        asked=True, wrong=wrong, days=round(services.installation.retention.readings_days),
    )  # fmt: skip


@router.get("/removed")
def removed(
    request: Request, services: ServicesIn, caller: CallerIn, who: PrincipalIn, _: OperatorIn, words: WordsIn
) -> Response:
    """Sites that were removed and can be brought back."""
    now_ms = services.clock.now_ms()
    lines = [(edit.id, edit.site, when(edit, words, now_ms), edit.who) for edit in _gone(services, who)]
    return page(request, "removed.html", caller, lines=lines)


@router.post("/removed")
def bring_back(services: ServicesIn, caller: CheckedIn, who: PrincipalIn, edit: Annotated[int, Form(ge=1)]) -> Response:
    """Write the file of a removed site again. Errors: NotFound where that removal is not among those listed."""
    found = next((one for one in _gone(services, who) if one.id == edit), None)
    if found is None:
        raise NotFound(Said("usage.edit", edit_id=edit))
    editor_of(services).undo(found, who=caller.name)
    return RedirectResponse("/", status_code=303)


def _gone(services: Services, who: Principal) -> list[SiteEdit]:
    """The newest removal of each site that has no file now, newest first, of sites that the caller may read.

    Errors: ProblemError 403 where the caller may not operate.
    """
    if not who.may_operate:
        raise ProblemError(403, Said("usage.this_token_may_read_not_operate"))
    newest: dict[str, SiteEdit] = {}
    for edit in services.ledger.edits(limit=MOST):
        if edit.part == REMOVED and who.may_read(edit.site):
            newest.setdefault(edit.site, edit)
    folder = services.installation.folder
    return [edit for edit in newest.values() if may_undo(edit) and not site_path(folder, edit.site).exists()]
