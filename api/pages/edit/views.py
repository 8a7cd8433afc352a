"""Addresses of the pages that change a site."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from typing import Annotated

from fastapi import APIRouter, Form, Path, Query, Request, Response
from fastapi.responses import RedirectResponse

from api.deliver.links import tickets
from api.deliver.outbox import served, trial_messages
from api.http.dependencies import OperatorIn, ServicesIn, SiteIn
from api.http.editing import editor_of
from api.pages.edit.changing import answered, asked, opened, seen
from api.pages.edit.fields import LONGEST_NAME, PARTS
from api.pages.edit.history import edit_lines
from api.pages.edit.preview import limits_preview
from api.pages.edit.year import year_context
from api.pages.guard import CallerIn, CheckedIn, PageRoute
from api.pages.render import page
from api.pages.settingup import FormIn
from api.pages.speech import WordsIn
from forecaster.domain.errors import NotFound
from forecaster.domain.names import legible
from forecaster.texts.catalogue import Said

router = APIRouter(route_class=PageRoute, include_in_schema=False)

PartName = Annotated[str, Path(pattern="^[a-z]{1,20}$")]
MOST_EDITS = 50


@router.get("/sites/{site}/edit")
def overview(
    request: Request, site: SiteIn, services: ServicesIn, caller: CallerIn, _: OperatorIn, words: WordsIn,
    done: Annotated[int, Query(ge=0, le=2**53)] = 0,
) -> Response:  # fmt: skip
    """The parts of a site, and its latest changes. done : the id of a change just made, 0 for none"""
    edits = edit_lines(services.ledger.edits(site.id, MOST_EDITS), site, words, services.clock.now_ms())
    return page(
        request, "edit.html", caller, site_id=site.id, name=site.name, parts=tuple(PARTS), edits=edits,
        done=next((edit for edit in edits if edit.id == done), None), aside=site.set_aside,
    )  # fmt: skip


@router.get("/sites/{site}/edit/{part}")
def form_of_part(
    request: Request, site: SiteIn, services: ServicesIn, caller: CallerIn, _: OperatorIn, words: WordsIn,
    part: PartName, tested: Annotated[str, Query(max_length=LONGEST_NAME)] = "",
) -> Response:  # fmt: skip
    """The form of a part, from the file as it is. tested : not empty where a test message was just sent"""
    context = opened(_part(part), editor_of(services).read(site.id), words)
    return page(
        request, "edit_part.html", caller, site_id=site.id, name=site.name, edit=context, stale=(), tested=tested
    )


@router.get("/sites/{site}/edit/limits/year")
def year_of_limits(
    request: Request, site: SiteIn, services: ServicesIn, caller: CallerIn, _: OperatorIn, words: WordsIn,
    of: Annotated[str, Query(pattern="^[0-9a-f]{1,64}$")],
) -> Response:  # fmt: skip
    """What changed limits would have done on the stored year, or how far that has come. of : stamp of the file tried"""
    trial = services.trials.trial(site.id, of)
    context = year_context(trial, of, site, words, services.clock.now_ms())
    return page(request, "edit_year.html", caller, site_id=site.id, name=site.name, year=context)


@router.post("/sites/{site}/edit/undo")
def undo(
    site: SiteIn, services: ServicesIn, caller: CheckedIn, edit: Annotated[int, Form(ge=1, le=2**53)],
    by: Annotated[str, Form(max_length=LONGEST_NAME)] = "",
) -> Response:  # fmt: skip
    """Take a change of this site back. by : who does it, where that differs from the caller's name"""
    kept = services.ledger.edit(edit)
    if kept.site != site.id:
        raise NotFound(Said("usage.edit", edit_id=edit))
    made = editor_of(services).undo(kept, who=legible(by.strip()) or caller.name)
    return RedirectResponse(f"/sites/{site.id}/edit?done={made.id if made else 0}", status_code=303)


@router.post("/sites/{site}/edit/contacts/test")
def try_contact(site: SiteIn, services: ServicesIn, _: CheckedIn, contact: Annotated[str, Form()]) -> Response:
    """Send a test message to one contact, over every channel that serves them."""
    installation = services.installation
    code = tickets(installation, services.ledger).code
    owed = trial_messages(site, services.ledger, served(installation), services.clock.now_ms(), code)
    theirs = [delivery for delivery in owed if delivery.who == contact]
    if not theirs:
        raise NotFound(Said("usage.contact", name=contact))
    services.ledger.commit_transitions([], theirs, [])
    services.wake()
    return RedirectResponse(f"/sites/{site.id}/edit/contacts?tested=yes", status_code=303)


@router.post("/sites/{site}/edit/{part}")
def change_part(
    request: Request, site: SiteIn, services: ServicesIn, caller: CheckedIn, words: WordsIn, form: FormIn,
    part: PartName,
) -> Response:  # fmt: skip
    """Check what was filled in and show the difference that it makes; where that was shown already, save it."""
    editor = editor_of(services)
    known = editor.read(site.id)
    wanted, made = asked(editor, _part(part), known, form)
    if form.get("stamp") != known.stamp:
        context = opened(part, known, words)
        return page(
            request, "edit_part.html", caller, status=409, site_id=site.id, name=site.name, edit=context,
            stale=made.lines, was_stale=True, tested="",
        )  # fmt: skip
    if seen(made, form):
        who = legible(form.get("by", "").strip()[:LONGEST_NAME]) or caller.name
        edit = editor.save(made, who=who, part=part)
        return RedirectResponse(f"/sites/{site.id}/edit?done={edit.id if edit else 0}", status_code=303)
    context = answered(part, known, form, wanted, made, words)
    if part == "limits" and made.lines:
        before, after = (text.get("alarms", {}) for text in (known.content, tomllib.loads(made.text)))
        if form.get("do") == "year":
            stamp = services.trials.begin(site.id, made.text, form)
            return RedirectResponse(f"/sites/{site.id}/edit/limits/year?of={stamp}", status_code=303)
        more = limits_preview(services.ledger, site, before, after, words, services.clock.now_ms())
        context = replace(context, more=more)
    return page(
        request, "edit_part.html", caller, status=422 if made.faults else 200, site_id=site.id, name=site.name,
        edit=context, stale=(), tested="",
    )  # fmt: skip


def _part(name: str) -> str:
    if name not in PARTS:
        raise NotFound(Said("usage.part", part=name))
    return name
