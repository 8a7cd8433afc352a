"""What stands between a browser and a page: errors as pages, the form token, and the way to the login."""

from __future__ import annotations

from collections.abc import Callable, Coroutine
from typing import Annotated, Any
from urllib.parse import quote

from fastapi import Depends, Request, Response
from fastapi.exceptions import RequestValidationError
from fastapi.responses import RedirectResponse
from fastapi.routing import APIRoute
from starlette.exceptions import HTTPException

from api.dependencies import PrincipalIn, ServicesIn
from api.pages.contexts import Caller
from api.pages.desk import Desk
from api.pages.render import page
from api.pages.words import words
from api.problems import ProblemError
from api.security import COOKIE, SAFE_METHODS, require_operate
from forecaster.domain.errors import ConfigError, NotFound, StoreError, UsageError

FORM_TOKEN = "form_token"


class PageRoute(APIRoute):
    """A route whose errors are pages; whoever must sign in first is led there and back."""

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
            except (UsageError, ConfigError) as error:
                return error_page(request, 400, str(error))
            except RequestValidationError:
                return error_page(request, 404 if request.method in SAFE_METHODS else 400)
            except HTTPException as error:
                return error_page(request, error.status_code)
            except StoreError:
                return error_page(request, 503)

        return guarded


def _to_login(request: Request) -> Response:
    wanted = request.url.path if request.method in SAFE_METHODS else "/"
    return RedirectResponse(f"/login?next={quote(wanted, safe='')}", status_code=303)


def error_page(request: Request, status: int, detail: str | None = None) -> Response:
    """An error as a page: what to do now, and nothing of the program's inside."""
    t = words()
    known = status if status in (400, 403, 404, 429, 503) else 400
    said = detail if detail is not None else t(f"error.text_{known}")
    return page(
        request, "error.html", Caller(operate=False), status=status, heading=t(f"error.title_{known}"), detail=said
    )


def caller(request: Request, who: PrincipalIn, services: ServicesIn) -> Caller:
    """Who looks, and the token that this one's forms carry."""
    return Caller(
        operate=who.may_operate,
        form_token=services.keyring.csrf(request.cookies.get(COOKIE, "") if services.login_needed else ""),
        signed_in=who.via == "session",
        site=who.site,
        name=who.name,
    )


async def checked(request: Request, who: PrincipalIn, services: ServicesIn) -> Caller:
    """Like `caller`, for a form that changes something: 403 without the right or without the form's token."""
    require_operate(who)
    form = await request.form()
    given = form.get(FORM_TOKEN)
    session = request.cookies.get(COOKIE, "") if services.login_needed else ""
    if not isinstance(given, str) or not services.keyring.csrf_holds(session, given):
        raise ProblemError(403, "the form has grown old, or came from elsewhere")
    return caller(request, who, services)


def desk(services: ServicesIn) -> Desk:
    """The ports that pages read from."""
    return Desk(services.installation.sites, services.store, services.ledger, services.clock)


CallerIn = Annotated[Caller, Depends(caller)]
CheckedIn = Annotated[Caller, Depends(checked)]
DeskIn = Annotated[Desk, Depends(desk)]
