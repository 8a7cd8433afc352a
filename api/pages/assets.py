"""Static files, the manifest and the service worker, sent compressed and cacheable for as long as possible."""

from __future__ import annotations

import gzip
import json
from functools import cache
from typing import Annotated

from fastapi import APIRouter, Header, Path, Request, Response

from api.pages.contexts import Caller
from api.pages.guard import PageRoute
from api.pages.render import STATIC, page, static_url
from api.pages.speech import words_of
from forecaster.domain.errors import NotFound

router = APIRouter(route_class=PageRoute, include_in_schema=False)

TYPES = {".css": "text/css", ".js": "text/javascript", ".svg": "image/svg+xml", ".png": "image/png"}
YEAR_S = 31_536_000
KEPT_OFFLINE = ("outlast.css", "app.js", "strip.js", "hover.js", "push.js", "icon.svg", "icon-192.png")


@cache
def _packed(name: str) -> bytes:
    return gzip.compress((STATIC / name).read_bytes(), 9, mtime=0)


def _known() -> frozenset[str]:
    return frozenset(path.name for path in STATIC.iterdir() if path.suffix in TYPES)


@router.get("/static/{name}")
def static(
    name: Annotated[str, Path(max_length=60)],
    v: str = "",
    accept_encoding: Annotated[str, Header()] = "",
) -> Response:
    """A static file. With the stamp of its content in the address it may be cached for a year."""
    if name not in _known():
        raise NotFound(f"file {name!r}")
    path = STATIC / name
    headers = {"Cache-Control": f"public, max-age={YEAR_S}, immutable" if v else "no-cache", "Vary": "Accept-Encoding"}
    if path.suffix != ".png" and "gzip" in accept_encoding:
        return Response(_packed(name), media_type=TYPES[path.suffix], headers={**headers, "Content-Encoding": "gzip"})
    return Response(path.read_bytes(), media_type=TYPES[path.suffix], headers=headers)


@router.get("/favicon.ico")
def favicon() -> Response:
    """The icon under the name that browsers ask for by themselves."""
    return Response((STATIC / "icon-192.png").read_bytes(), media_type="image/png")


@router.get("/manifest.webmanifest")
def manifest(request: Request) -> Response:
    """The web application manifest (W3C)."""
    t = words_of(request)
    icons = [
        {"src": static_url("icon.svg"), "sizes": "any", "type": "image/svg+xml"},
        {"src": static_url("icon-192.png"), "sizes": "192x192", "type": "image/png"},
        {"src": static_url("icon-512.png"), "sizes": "512x512", "type": "image/png"},
        {"src": static_url("icon-mask.png"), "sizes": "512x512", "type": "image/png", "purpose": "maskable"},
    ]
    said = {
        "id": "/",
        "name": t("app.name"),
        "short_name": t("nav.about"),
        "description": t("app.description"),
        "lang": t.code,
        "start_url": "/",
        "scope": "/",
        "display": "standalone",
        "background_color": "#f5f0e3",
        "theme_color": "#f5f0e3",
        "icons": icons,
    }
    return Response(json.dumps(said), media_type="application/manifest+json", headers={"Cache-Control": "no-cache"})


@router.get("/service-worker.js")
def service_worker() -> Response:
    """The service worker, with the addresses of the files that it caches."""
    kept = [static_url(name) for name in KEPT_OFFLINE]
    head = f"const KEPT = {json.dumps([*kept, '/offline', '/manifest.webmanifest'])};\n"
    body = (STATIC / "worker.js").read_text(encoding="utf-8")
    return Response(head + body, media_type="text/javascript", headers={"Cache-Control": "no-cache"})


@router.get("/offline")
def offline(request: Request) -> Response:
    """The page that is shown without a connection where nothing is cached."""
    t = words_of(request)
    return page(request, "error.html", Caller(operate=False), heading=t("app.offline"), detail=t("app.offline_text"))
