"""Errors are sent to clients as RFC 9457 problem documents; the text of an unexpected exception is never sent."""

from __future__ import annotations

import logging
from collections.abc import Callable
from http import HTTPStatus
from typing import Any

import msgspec
from fastapi import APIRouter, FastAPI, Request, Response
from fastapi.exceptions import RequestValidationError
from pydantic import BaseModel, Field
from starlette.exceptions import HTTPException
from starlette.routing import Match, Route

from api.http.refused import path_told
from forecaster.domain.errors import (
    ConfigError,
    Conflict,
    NotFound,
    OutlastError,
    StoreRefused,
    StoreUnavailable,
    UsageError,
)
from forecaster.texts.catalogue import Said, words

log = logging.getLogger("outlast.api")

MEDIA_TYPE = "application/problem+json"


class Problem(BaseModel):
    """A problem document (RFC 9457): what went wrong, for machines and people."""

    type: str = Field(default="about:blank", description="about:blank: the title says all there is to the type.")
    title: str
    status: int
    detail: str = ""
    errors: list[dict[str, str]] | None = Field(default=None, description="For 422: where, and what is wrong there.")


class ProblemError(Exception):
    """Raised by a route to answer with a problem document."""

    def __init__(self, status: int, detail: str, headers: dict[str, str] | None = None) -> None:
        self.status, self.detail, self.headers = status, detail, headers
        super().__init__(detail)


def problem(
    status: int, detail: str = "", headers: dict[str, str] | None = None, errors: list[dict[str, str]] | None = None
) -> Response:
    """A problem document as a response."""
    body: dict[str, Any] = {
        "type": "about:blank",
        "title": HTTPStatus(status).phrase,
        "status": status,
        "detail": str(detail),
    }
    if errors is not None:
        body["errors"] = errors
    return Response(msgspec.json.encode(body), status_code=status, headers=headers, media_type=MEDIA_TYPE)


_DOCUMENT = {"content": {MEDIA_TYPE: {"schema": Problem.model_json_schema()}}}

RESPONSES: dict[int | str, dict[str, Any]] = {
    code: {"description": HTTPStatus(code).phrase, **_DOCUMENT} for code in (400, 401, 403, 404, 409, 422, 503)
} | {"default": {"description": "Error", **_DOCUMENT}}
"""For the OpenAPI document: every route may answer with a problem, and whatever the status of an error, it is one."""


AsPage = Callable[[Request, int], Response]
"""How an error of a status is shown to a person."""

CARRIED = ("Allow", "Retry-After", "Connection", "WWW-Authenticate")
"""Headers of a problem document that its page has too."""


def install(app: FastAPI, as_page: AsPage) -> None:
    """Answer every error with a problem document, and with a page where a browser asked for one."""
    app.state.error_as_page = as_page
    handlers = {
        HTTPException: _http,
        RequestValidationError: _invalid,
        ProblemError: _problem,
        OutlastError: _ours,
        Exception: _unexpected,
    }
    for kind, handler in handlers.items():
        app.add_exception_handler(kind, _faced(handler))


def _faced(handler: Callable[[Request, Exception], Response]) -> Callable[[Request, Exception], Response]:
    def answered(request: Request, error: Exception) -> Response:
        return faced(request, handler(request, error))

    return answered


def faced(request: Request, document: Response) -> Response:
    """A problem document as it is; its page where a browser asked for a page outside the API."""
    if request.url.path.startswith("/api/") or "text/html" not in request.headers.get("accept", ""):
        return document
    as_page: AsPage = request.app.state.error_as_page
    shown = as_page(request, document.status_code)
    shown.headers.update({name: document.headers[name] for name in CARRIED if name in document.headers})
    return shown


def _http(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    detail = error.detail if error.detail != HTTPStatus(error.status_code).phrase else ""
    headers = dict(error.headers or {})
    if error.status_code == HTTPStatus.METHOD_NOT_ALLOWED:
        headers["Allow"] = ", ".join(sorted(_allowed(request)))
    return problem(error.status_code, detail, headers)


def _allowed(request: Request) -> set[str]:
    """The methods of all routes with the request's path, not only of the first one."""
    routers: list[APIRouter] = request.app.state.routers
    known = [route for router in routers for route in router.routes if isinstance(route, Route)]
    matching = [route for route in known if route.matches(request.scope)[0] is not Match.NONE]
    found = {method for route in matching for method in route.methods or ()}
    return found | ({"HEAD"} if "GET" in found else set())


def _problem(_: Request, error: Exception) -> Response:
    assert isinstance(error, ProblemError)
    return problem(error.status, error.detail, error.headers)


def _invalid(_: Request, error: Exception) -> Response:
    assert isinstance(error, RequestValidationError)
    errors = [{"where": ".".join(str(part) for part in e["loc"]), "what": str(e["msg"])} for e in error.errors()]
    first = errors[0] if errors else {"where": "request", "what": words()("usage.not_understood")}
    return problem(422, f"{first['where']}: {first['what']}", errors=errors)


def _ours(_: Request, error: Exception) -> Response:
    if isinstance(error, NotFound):
        return problem(404, str(error))
    if isinstance(error, Conflict):
        return problem(409, str(error))
    if isinstance(error, (UsageError, ConfigError)):
        return problem(422, str(error))
    if isinstance(error, StoreUnavailable):
        return problem(503, Said("usage.the_store_does_not_answer_at"), {"Retry-After": "5"})
    if isinstance(error, StoreRefused):
        own = error.reason.startswith("cursor")
        return problem(422, error.reason if own else Said("usage.a_value_of_the_request_can"))
    log.error("unanswered: %s: %s", type(error).__name__, error)
    return problem(500)


def _unexpected(request: Request, error: Exception) -> Response:
    log.error("%s %s failed with %s", request.method, path_told(request.url.path), type(error).__name__)
    return problem(500)
