"""Addresses of the set-up page."""

from __future__ import annotations

import time
from collections.abc import Mapping
from typing import Annotated, Any

import msgspec
from fastapi import APIRouter, Depends, Query, Request, Response
from fastapi.responses import RedirectResponse

from api.http.dependencies import SITE_ID, OperatorIn, ServicesIn
from api.http.problems import ProblemError
from api.pages import setupdraft
from api.pages.contexts import Caller
from api.pages.guard import CallerIn, CheckedIn, PageRoute, form_of
from api.pages.offers import live_lines, offers_kept, unseen
from api.pages.render import page
from api.pages.setup import (
    described,
    faults_in,
    filled_in,
    listen_seconds,
    machine_zone,
    prefilled,
    preview,
    setup_context,
    short_of,
    write_site,
)
from api.pages.speech import WordsIn
from api.process.services import Services
from collector.config.set_aside import site_files
from collector.config.site_file import site_toml
from collector.editing.keep import read_site
from forecaster.domain.errors import ConfigError, SessionError, UsageError
from forecaster.texts.catalogue import Said, Words
from forecaster.texts.failures import failure
from forecaster.texts.wording import Wording

router = APIRouter(route_class=PageRoute, include_in_schema=False)

QUICK_S = 2.0
"""How long a browser that follows what is heard waits for the first of it [s]."""

FormIn = Annotated[dict[str, str], Depends(form_of)]
NewSite = Annotated[str, Query(description="Site id", pattern=SITE_ID)]


def _whole(caller: Caller) -> None:
    if caller.site is not None:
        raise ProblemError(403, Said("usage.this_token_is_for_one_site"))


@router.get("/setup")
def setup(request: Request, services: ServicesIn, caller: CallerIn, words: WordsIn, who: OperatorIn) -> Response:
    """The form as it was left, else with what can be proposed."""
    _whole(caller)
    draft = setupdraft.kept(services.ledger, who, services.clock.now_ms())
    if draft is None:
        return _form(request, services, caller, prefilled(services.installation), words)
    at = Wording(machine_zone() or "UTC", said_in=words).clock(draft.at_ms, services.clock.now_ms())
    return _form(request, services, caller, draft.form, words, kept=words("setup.resumed", at=at))


@router.post("/setup/listen")
def setup_listen(
    request: Request, services: ServicesIn, caller: CheckedIn, words: WordsIn, form: FormIn, who: OperatorIn
) -> Response:
    """Listen to the broker and show what it offers; it is listened on while somebody looks."""
    _whole(caller)
    setupdraft.keep(services.ledger, who, form, services.clock.now_ms())
    try:
        seconds = listen_seconds(form.get("seconds", "10"))
        asked = form.get("filter", "").strip() or "#"
        services.broker_watch.begin(
            services.installation.broker, asked, min(seconds, QUICK_S) if form.get("quick") == "yes" else seconds
        )
    except (SessionError, ConfigError, UsageError) as error:
        return _form(request, services, caller, form, words, problem=failure(error, words))
    return _form(request, services, caller, form, words, fresh=True)


@router.get("/setup/live")
def setup_live(services: ServicesIn, caller: CallerIn, words: WordsIn, who: OperatorIn) -> Response:
    """What the broker carries now, for the script: values, what each may be, how many fields are new."""
    _whole(caller)
    draft = setupdraft.kept(services.ledger, who, services.clock.now_ms())
    form = {} if draft is None else draft.form
    watch = services.broker_watch
    heard = watch.topics()
    lines = live_lines(form, words, heard, time.monotonic())
    more = unseen(offers_kept(form), heard)
    body = {
        "listening": watch.listening, "lines": lines, "unseen": more,
        "more": words("setup.unseen", n=more) if more else "",
    }  # fmt: skip
    return Response(msgspec.json.encode(body), media_type="application/json", headers={"Cache-Control": "no-store"})


@router.post("/setup/keep")
def setup_keep(services: ServicesIn, caller: CheckedIn, form: FormIn, who: OperatorIn) -> Response:
    """Keep what is filled in so far: the script sends it as it is typed.

    What comes after its site was written, from another tab or still on its way, brings no draft back.
    """
    _whole(caller)
    written = {path.stem for path in site_files(services.installation.folder / "sites")}
    if short_of(form) not in written:
        setupdraft.keep(services.ledger, who, form, services.clock.now_ms())
    return Response(status_code=204)


@router.post("/setup/anew")
def setup_anew(services: ServicesIn, caller: CheckedIn, who: OperatorIn) -> Response:
    """Forget what was filled in."""
    _whole(caller)
    setupdraft.drop(services.ledger, who)
    return RedirectResponse("/setup", status_code=303)


@router.post("/setup")
def setup_check(
    request: Request, services: ServicesIn, caller: CheckedIn, words: WordsIn, form: FormIn, who: OperatorIn
) -> Response:
    """Take the suggestions, look again, keep, check what is filled in, or write the site file, as the button says."""
    _whole(caller)
    do = form.get("do", "check")
    setupdraft.keep(services.ledger, who, form, services.clock.now_ms())
    if do in ("take", "look", "keep"):
        said = words("setup.kept") if do == "keep" else ""
        return _form(request, services, caller, form, words, fresh=do == "look", take=do == "take", kept=said)
    form = {**form, "id": short_of(form)}
    faults = faults_in(filled_in(form), services.installation, words)
    if faults:
        return _form(request, services, caller, form, words, faults=faults)
    try:
        site = described(form, words)
        if do == "write":
            write_site(services.installation.folder, site)
            setupdraft.drop(services.ledger, who)
            return RedirectResponse(f"/setup/done?site={site.id}", status_code=303)
        previews, refused = preview(services.installation, site, words, services.clock.now_ms())
    except (SessionError, ConfigError, UsageError) as error:
        return _form(request, services, caller, form, words, problem=failure(error, words))
    return _form(request, services, caller, form, words, previews=previews, refused=refused, toml=site_toml(site))


@router.get("/setup/done")
def setup_done(
    request: Request, site: NewSite, services: ServicesIn, caller: CallerIn, words: WordsIn, _: OperatorIn
) -> Response:
    """Wait until the new site is taken up, and lead on to what is looked at before one leaves it."""
    _whole(caller)
    if site in services.installation.sites:
        return RedirectResponse(f"/sites/{site}/leaving?said=new", status_code=303)
    name = read_site(services.installation.folder, site).content.get("name", site)
    aside = [words.line(str(item)) for item in services.installation.set_aside if item.site == site]
    return page(request, "setup_done.html", caller, id=site, name=name, aside=aside)


def _form(
    request: Request, services: Services, caller: Caller, form: Mapping[str, str], words: Words, **shown: Any
) -> Response:
    """The page with what is heard at present."""
    watch = services.broker_watch
    context = setup_context(form, words, heard=watch.topics(), listening=watch.listening, **shown)
    return page(request, "setup.html", caller, setup=context)
