"""The login: a token is exchanged for a session, with a limit on failed tries."""

from __future__ import annotations

import logging
from collections import deque
from typing import Annotated

from fastapi import APIRouter, Form, Query, Request, Response
from fastapi.responses import RedirectResponse

from api.http.dependencies import ServicesIn
from api.http.keyring import SESSION_S
from api.http.security import COOKIE
from api.pages.contexts import Caller
from api.pages.guard import CheckedSessionIn, PageRoute, error_page
from api.pages.paths import safe_path
from api.pages.render import page
from api.process.services import Services
from forecaster.domain.records import Token

log = logging.getLogger("outlast.login")

router = APIRouter(route_class=PageRoute, include_in_schema=False)

WINDOW_S = 60.0
TRIES_AN_ADDRESS = 5
TRIES_OF_ALL = 60


class Tries:
    """Failed tries within the last minute, by address and in all. The limit for all bounds the memory, too."""

    def __init__(self) -> None:
        self._failed: deque[tuple[float, str]] = deque(maxlen=TRIES_OF_ALL)

    def too_many(self, address: str, now_s: float) -> bool:
        """Whether an address, or everybody, must wait."""
        while self._failed and now_s - self._failed[0][0] >= WINDOW_S:
            self._failed.popleft()
        own = sum(1 for _, who in self._failed if who == address)
        return own >= TRIES_AN_ADDRESS or len(self._failed) >= TRIES_OF_ALL

    def fail(self, address: str, now_s: float) -> None:
        """Count a failed try."""
        self._failed.append((now_s, address))


def tries_of(request: Request) -> Tries:
    """The counter of this application."""
    state = request.app.state
    if not hasattr(state, "login_tries"):
        state.login_tries = Tries()
    found: Tries = state.login_tries
    return found


@router.get("/login")
def login_form(request: Request, wanted: Annotated[str, Query(alias="next", max_length=300)] = "/") -> Response:
    """The form that takes a token."""
    return page(request, "login.html", Caller(operate=False), wanted=safe_path(wanted), failed=False)


@router.post("/login")
def login(
    request: Request,
    services: ServicesIn,
    token: Annotated[str, Form(max_length=300)],
    wanted: Annotated[str, Form(alias="next", max_length=300)] = "/",
) -> Response:
    """Exchange a token for a session."""
    known = known_token(request, services, token.strip())
    if isinstance(known, Response):
        return known
    if known is None:
        return page(request, "login.html", Caller(operate=False), status=401, wanted=safe_path(wanted), failed=True)
    return entered(request, services, known, safe_path(wanted))


def known_token(request: Request, services: Services, secret: str | None) -> Token | Response | None:
    """The token of a secret; None where it is not known, and a page where there were too many that were not."""
    tries, now_s = tries_of(request), services.clock.monotonic_s()
    address = request.client.host if request.client is not None else ""
    known = None if secret is None else services.keyring.token(secret)
    if known is None:  # whoever is right comes in, however many others are wrong
        if tries.too_many(address, now_s):
            return error_page(request, 429)
        tries.fail(address, now_s)
        log.warning("a login from %s was refused: its token is not known", address)
    return known


def entered(request: Request, services: Services, known: Token, path: str) -> Response:
    """The answer that opens a session, for as long as the token may last, and leads on to a path of this server."""
    address = request.client.host if request.client is not None else ""
    log.warning("%s logged in from %s with the token %s", known.name, address, known.id)
    left_s = SESSION_S if known.ends_ms is None else (known.ends_ms - services.clock.now_ms()) // 1000
    answer = RedirectResponse(path, status_code=303)
    answer.set_cookie(
        COOKIE,
        services.keyring.open_session(known),
        max_age=min(SESSION_S, left_s),
        httponly=True,
        samesite="lax",
        secure=request.url.scheme == "https",
        path="/",
    )
    return answer


@router.post("/logout")
def logout(_: CheckedSessionIn, request: Request, services: ServicesIn) -> Response:
    """Log out: ends the session, and deletes its cookie and what the browser has cached for reading offline."""
    services.keyring.close_session(request.cookies.get(COOKIE, ""))
    answer = RedirectResponse("/login", status_code=303)
    answer.delete_cookie(COOKIE, path="/")
    answer.headers["Clear-Site-Data"] = '"cache", "storage"'
    return answer
