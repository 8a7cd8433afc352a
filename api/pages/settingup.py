"""Addresses of the set-up page."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Depends, Request, Response

from api.http.dependencies import OperatorIn, ServicesIn
from api.http.problems import ProblemError
from api.pages.contexts import Caller
from api.pages.guard import CallerIn, CheckedIn, PageRoute, form_of
from api.pages.render import page
from api.pages.setup import (
    described,
    faults_in,
    filled_in,
    listen_seconds,
    prefilled,
    preview,
    setup_context,
    short_name,
    write_site,
)
from api.pages.speech import WordsIn
from collector.config.site_file import site_toml
from collector.decode.discovery import discover
from forecaster.domain.errors import ConfigError, SessionError, UsageError
from forecaster.texts.catalogue import Said
from forecaster.texts.failures import failure

router = APIRouter(route_class=PageRoute, include_in_schema=False)

FormIn = Annotated[dict[str, str], Depends(form_of)]


def _whole(caller: Caller) -> None:
    if caller.site is not None:
        raise ProblemError(403, Said("usage.this_token_is_for_one_site"))


@router.get("/setup")
def setup(request: Request, services: ServicesIn, caller: CallerIn, words: WordsIn, _: OperatorIn) -> Response:
    """The form, with what can be proposed."""
    _whole(caller)
    return page(request, "setup.html", caller, setup=setup_context(prefilled(services.installation), words))


@router.post("/setup/listen")
def setup_listen(request: Request, services: ServicesIn, caller: CheckedIn, words: WordsIn, form: FormIn) -> Response:
    """Listen to the broker and show what it offers."""
    _whole(caller)
    try:
        seconds = listen_seconds(form.get("seconds", "10"))
        heard = discover(services.installation.broker, seconds, form.get("filter", "").strip() or "#")
        context = setup_context(form, words, heard=heard)
    except (SessionError, ConfigError, UsageError) as error:
        context = setup_context(form, words, problem=failure(error, words))
    return page(request, "setup.html", caller, setup=context)


@router.post("/setup")
def setup_check(request: Request, services: ServicesIn, caller: CheckedIn, words: WordsIn, form: FormIn) -> Response:
    """Take the suggestions, check what is filled in, or write the site file, as the button says."""
    _whole(caller)
    do = form.get("do", "check")
    if do == "take":
        return page(request, "setup.html", caller, setup=setup_context({**form, "take": "yes"}, words))
    form = {**form, "id": form.get("id", "").strip() or short_name(form.get("name", ""))}
    faults = faults_in(filled_in(form, words), services.installation, words)
    if faults:
        return page(request, "setup.html", caller, setup=setup_context(form, words, faults=faults))
    try:
        site = described(form, words)
        if do == "write":
            write_site(services.installation.folder, site)
            return page(request, "setup_done.html", caller, id=site.id, name=site.name)
        previews, refused = preview(services.installation, site, words, services.clock.now_ms())
    except (SessionError, ConfigError, UsageError) as error:
        return page(request, "setup.html", caller, setup=setup_context(form, words, problem=failure(error, words)))
    context = setup_context(form, words, previews=previews, refused=refused, toml=site_toml(site))
    return page(request, "setup.html", caller, setup=context)
