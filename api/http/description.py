"""The OpenAPI description: short operation ids, how to log in, and one problem document for every error."""

from __future__ import annotations

from typing import Any

from fastapi import FastAPI
from fastapi.openapi.utils import get_openapi
from fastapi.routing import APIRoute

from api.http.problems import MEDIA_TYPE, Problem
from api.http.stream_events import event_schemas

SECURITY_SCHEMES = {
    "token": {"type": "http", "scheme": "bearer", "description": "A token of `outlast token add`."},
    "session": {
        "type": "apiKey", "in": "cookie", "name": "outlast_session",
        "description": "The cookie that the login page gives for a token; changes need the header X-CSRF-Token too.",
    },
}  # fmt: skip
ERRORS = ("4", "5", "default")
REFERENCE = {"schema": {"$ref": "#/components/schemas/Problem"}}


def operation_id(route: APIRoute) -> str:
    """A route's function name in camel case: `start_test` is `startTest`."""
    first, *rest = route.name.split("_")
    return first + "".join(word.capitalize() for word in rest)


class Application(FastAPI):
    """FastAPI with that description, which is made when it is first requested."""

    def openapi(self) -> dict[str, Any]:
        """The OpenAPI document."""
        if self.openapi_schema is None:
            self.openapi_schema = _described(self)
        return self.openapi_schema


def _described(app: FastAPI) -> dict[str, Any]:
    found = get_openapi(title=app.title, version=app.version, description=app.description, routes=app.routes)
    components = found.setdefault("components", {})
    components["securitySchemes"] = SECURITY_SCHEMES
    schemas = components.setdefault("schemas", {})
    components["schemas"] = {**event_schemas(), **schemas, "Problem": Problem.model_json_schema()}
    found["security"] = [{"token": []}, {"session": []}, {}]
    for path in found["paths"].values():
        for operation in path.values():
            for status, answer in operation.get("responses", {}).items():
                if status.startswith(ERRORS) and "application/json" not in answer.get("content", {}):
                    answer["content"] = {MEDIA_TYPE: REFERENCE}
    return found
