"""A guest's way in: the link of a neighbour's sheet, or its code typed from paper."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Form, Request, Response

from api.http.dependencies import ServicesIn
from api.http.keyring import guest_secret
from api.pages.contexts import Caller
from api.pages.guard import PageRoute
from api.pages.login import entered, known_token
from api.pages.render import page

router = APIRouter(route_class=PageRoute, include_in_schema=False)

LOOK = "/look"
"""What a link opens. Its code stands behind the #, which no browser sends (RFC 9110 sections 7.1 and 10.1.3)."""


@router.get(LOOK)
def look(request: Request) -> Response:
    """The form that takes a code; the script fills it in from the link."""
    return _form(request, failed=False)


@router.post(LOOK)
def enter(request: Request, services: ServicesIn, code: Annotated[str, Form(max_length=100)]) -> Response:
    """Exchange a code for a session that sees one site until the code ends."""
    known = known_token(request, services, guest_secret(code))
    if isinstance(known, Response):
        return known
    if known is None or known.site is None:
        return _form(request, failed=True)
    return entered(request, services, known, f"/sites/{known.site}")


def _form(request: Request, *, failed: bool) -> Response:
    answer = page(request, "look.html", Caller(operate=False), status=401 if failed else 200, failed=failed)
    answer.headers["Cache-Control"] = "no-store"
    return answer
