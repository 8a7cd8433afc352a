"""The HTTP application: every module of api.http.routes, the pages, guards and problem documents."""

from __future__ import annotations

import pkgutil
from collections.abc import Iterable
from functools import cache
from importlib import import_module

from fastapi import APIRouter, FastAPI
from fastapi.middleware.cors import CORSMiddleware
from fastapi.middleware.gzip import GZipMiddleware
from starlette.routing import BaseRoute

import api.http.routes
from api import __version__
from api.http import problems
from api.http.bodies import BodyLimit
from api.http.conditional import EntityTags
from api.http.description import Application, operation_id
from api.http.head import HeadAsGet
from api.http.security import Guard
from api.pages.guard import error_page
from api.process.services import Services


def create_app(services: Services) -> FastAPI:
    """The whole application over a set of services; routes find them in `request.app.state.services`."""
    modules = sorted(module.name for module in pkgutil.iter_modules(api.http.routes.__path__))
    return _application(services, [*(f"api.http.routes.{name}" for name in modules), "api.pages.views"], of_sites=True)


def create_probes(services: Services) -> FastAPI:
    """Only /livez, /readyz, /healthz and /metrics: for a process that serves nothing else."""
    return _application(services, ["api.http.routes.health"], of_sites=False)


def _application(services: Services, routed: list[str], *, of_sites: bool) -> FastAPI:
    app = Application(
        title="Outlast",
        version=__version__,
        description="How many hours a battery pack will carry a drainage pump, live, as an honest range.",
        docs_url=None,  # the stock pages load their scripts from another host
        redoc_url=None,
    )
    app.state.services, app.state.of_sites = services, of_sites
    problems.install(app, error_page)
    app.state.routers = _routers(routed)
    app.router.routes.extend(_routes(tuple(routed)))
    app.add_middleware(EntityTags, prefixes=("/api/v1/", "/calendar/", "/openapi.json"))
    app.add_middleware(GZipMiddleware, minimum_size=800, compresslevel=6)  # leaves event streams alone
    app.add_middleware(HeadAsGet)
    origins = services.installation.http.cors_origins
    if origins:
        app.add_middleware(
            CORSMiddleware, allow_origins=list(origins), allow_methods=["GET", "POST", "PATCH", "DELETE"],
            allow_headers=["Authorization", "Content-Type", "If-Match", "If-None-Match", "Last-Event-ID"],
            expose_headers=["ETag", "Retry-After"], max_age=600,
        )  # fmt: skip
    app.add_middleware(BodyLimit)
    app.add_middleware(Guard, hosts=services.hosts)
    return app


def _routers(names: Iterable[str]) -> list[APIRouter]:
    return [import_module(name).router for name in names]


@cache
def _routes(names: tuple[str, ...]) -> tuple[BaseRoute, ...]:
    """The routes of some modules: what each takes and gives is worked out once, however many applications there are."""
    of_all = FastAPI(
        openapi_url=None, docs_url=None, redoc_url=None,
        responses=problems.RESPONSES, generate_unique_id_function=operation_id,
    )  # fmt: skip
    for router in _routers(names):
        of_all.include_router(router)
    return tuple(of_all.router.routes)
