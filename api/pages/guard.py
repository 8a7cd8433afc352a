"""What every page request passes through: errors become pages, forms need a token, the login is asked for."""

from __future__ import annotations

import secrets
from collections.abc import Callable, Coroutine
from typing import Annotated, Any
from urllib.parse import quote

from fastapi import Depends, Request, Response
from fastapi.exceptions import RequestValidationError
from fastapi.responses import RedirectResponse
from fastapi.routing import APIRoute
from starlette.exceptions import HTTPException

from api.deliver.outbox import served
from api.http.dependencies import PrincipalIn, ServicesIn
from api.http.problems import ProblemError
from api.http.security import COOKIE, SAFE_METHODS, require_operate
from api.pages.contexts import Caller
from api.pages.ports import PagePorts
from api.pages.render import page
from api.pages.speech import words_of
from api.process.services import Services
from forecaster.domain.errors import ConfigError, Conflict, NotFound, StoreError, UsageError
from forecaster.texts.catalogue import Said
from forecaster.texts.failures import failure

FORM_TOKEN = "form_token"
KNOWN = frozenset({400, 403, 404, 405, 408, 409, 413, 421, 429, 500, 503})
"""Statuses that have words of their own; any other is told as the general one of its hundred."""


class PageRoute(APIRoute):
    """A route that shows errors as pages, and that leads whoever must log in to the login page and back."""

    def get_route_handler(self) -> Callable[[Request], Coroutine[Any, Any, Response]]:
        """The handler with errors turned into pages."""
        handler = super().get_route_handler()

        async def guarded(request: Request) -> Response:
            try:
                return await handler(request)
            except ProblemError as error:
                if error.status == 401:
                    return _to_login(request)
                return error_page(request, error.status)
            except NotFound:
                return error_page(request, 404)
            except Conflict as error:
                return error_page(request, 409, failure(error, words_of(request)))
            except (UsageError, ConfigError) as error:
                return error_page(request, 400, failure(error, words_of(request)))
            except RequestValidationError as error:
                in_path = any(wrong["loc"][0] == "path" for wrong in error.errors())
                return error_page(request, 404 if in_path else 400)
            except HTTPException as error:
                return error_page(request, error.status_code)
            except StoreError:
                return error_page(request, 503)

        return guarded


def _to_login(request: Request) -> Response:
    wanted = request.url.path if request.method in SAFE_METHODS else "/"
    return RedirectResponse(f"/login?next={quote(wanted, safe='')}", status_code=303)


def error_page(request: Request, status: int, detail: str | None = None) -> Response:
    """An error as a page: what to do now, and no internals of the program."""
    t = words_of(request)
    known = status if status in KNOWN else 500 if status >= 500 else 400
    said = detail if detail is not None else t(f"error.text_{known}")
    return page(
        request, "error.html", Caller(operate=False), status=status, heading=t(f"error.title_{known}"), detail=said
    )


def caller(request: Request, who: PrincipalIn, services: ServicesIn) -> Caller:
    """The reader of a page, and the token for the forms on it."""
    return Caller(
        operate=who.may_operate,
        form_token=masked(services.keyring.csrf(_session(request, services))),
        signed_in=who.via == "session",
        site=who.site,
        name=who.name,
        guest=who.ends,
    )


def _session(request: Request, services: Services) -> str:
    return request.cookies.get(COOKIE, "") if services.login_needed else ""


def _token_holds(request: Request, services: Services, given: object) -> bool:
    plain = unmasked(given) if isinstance(given, str) else None
    return plain is not None and services.keyring.csrf_holds(_session(request, services), plain)


def masked(token: str) -> str:
    """The token under a new mask for every page, so that the compressed length reveals nothing of it (BREACH)."""
    mask = secrets.token_bytes(len(token) // 2)
    return (mask + _xor(mask, bytes.fromhex(token))).hex()


def unmasked(text: str) -> str | None:
    """The token behind a mask; None where it is none."""
    try:
        whole = bytes.fromhex(text)
    except ValueError:
        return None
    half = len(whole) // 2
    return _xor(whole[:half], whole[half:]).hex() if len(whole) == 2 * half else None


def _xor(left: bytes, right: bytes) -> bytes:
    return bytes(a ^ b for a, b in zip(left, right, strict=True))


async def checked_session(request: Request, who: PrincipalIn, services: ServicesIn) -> Caller:
    """Like `checked`, for actions that readers may take too, such as logging out."""
    form = await request.form(max_fields=6000)
    if not _token_holds(request, services, form.get(FORM_TOKEN)):
        raise ProblemError(403, Said("usage.the_form_has_grown_old_or"))
    return caller(request, who, services)


async def checked(request: Request, who: PrincipalIn, services: ServicesIn) -> Caller:
    """Like `caller`, for a form that changes something: 403 without the right or without the form's token."""
    require_operate(who)
    return await checked_session(request, who, services)


async def form_of(request: Request) -> dict[str, str]:
    """The fields of a form as text; files are left out."""
    form = await request.form(max_fields=6000)
    return {key: value for key, value in form.items() if isinstance(value, str)}


def ports(services: ServicesIn) -> PagePorts:
    """The ports that pages read from."""
    held = services.installation
    return PagePorts(
        held.sites, services.store, services.ledger, services.clock, served(held), held.heartbeat.url is not None
    )


CallerIn = Annotated[Caller, Depends(caller)]
CheckedIn = Annotated[Caller, Depends(checked)]
CheckedSessionIn = Annotated[Caller, Depends(checked_session)]
PortsIn = Annotated[PagePorts, Depends(ports)]
