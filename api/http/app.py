"""The HTTP application: every module of api.http.routes, the pages, guards and problem documents."""

from __future__ import annotations

import pkgutil
from importlib import import_module

from fastapi import FastAPI
from fastapi.middleware.gzip import GZipMiddleware

import api.http.routes
from api import __version__
from api.http import problems
from api.http.security import Guard
from api.process.services import Services


def create_app(services: Services) -> FastAPI:
    """The application over a set of services; routes find them in `request.app.state.services`."""
    app = FastAPI(
        title="Outlast",
        version=__version__,
        description="How many hours a battery pack will carry a drainage pump, live, as an honest range.",
        docs_url=None,  # the stock pages load their scripts from another host
        redoc_url=None,
        responses=problems.RESPONSES,
    )
    app.state.services = services
    problems.install(app)
    for module in sorted(pkgutil.iter_modules(api.http.routes.__path__), key=lambda m: m.name):
        app.include_router(import_module(f"api.http.routes.{module.name}").router)
    views = import_module("api.pages.views")
    app.include_router(views.router)
    app.add_middleware(GZipMiddleware, minimum_size=800, compresslevel=6)  # leaves event streams alone
    app.add_middleware(Guard, hosts=services.hosts)
    return app
