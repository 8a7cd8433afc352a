"""Each route of the application against each identity, on their own site and on another: made from the router itself,
so that a route that is added is asked as well, and must be named here where it is open to everybody."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from fastapi import APIRouter
from fastapi.routing import APIRoute
from starlette.testclient import TestClient

from api.http.app import create_app
from api.http.keyring import Rights, new_token, revoke_token
from api.process.services import Services
from tests.api.serving import described, serving

OPEN = frozenset({
    "/livez", "/readyz", "/healthz", "/openapi.json", "/login", "/static/{name}", "/manifest.webmanifest",
    "/service-worker.js", "/offline", "/favicon.ico", "/language/{code}",
    "/acknowledge/{token}", "/answer/{token}", "/calendar/{token}.ics",
})  # fmt: skip
"""Routes that ask for no login: health without details, what a browser needs before it, and signed links."""

STREAM = "/api/v1/stream"
OWN, OTHER = "larkspur", "elsewhere"


@dataclass(frozen=True)
class Identity:
    """Who asks: a header, what it may do, and where."""

    name: str
    header: dict[str, str]
    reads: frozenset[str]
    operates: frozenset[str]


@pytest.fixture
def outside(tmp_path: Path) -> Iterator[tuple[TestClient, Services]]:
    with serving(tmp_path, host="0.0.0.0") as made:
        described(tmp_path)
        yield made


def identities(services: Services) -> list[Identity]:
    """None, revoked, and read and operate of one site, of another and of all."""
    both, none = frozenset({OWN, OTHER}), frozenset[str]()

    def made(name: str, scope: str, site: str | None) -> dict[str, str]:
        rights: Rights = "operate" if scope == "operate" else "read"
        return {"Authorization": f"Bearer {new_token(services.ledger, services.clock, name, rights, site)[1]}"}

    gone = made("gone", "operate", None)
    revoke_token(services.ledger, services.clock, "gone")
    own = frozenset({OWN})
    return [
        Identity("none", {}, none, none),
        Identity("revoked", gone, none, none),
        Identity("read", made("read", "read", None), both, none),
        Identity("read of one site", made("read-one", "read", OWN), own, none),
        Identity("operate of one site", made("operate-one", "operate", OWN), own, own),
        Identity("operate", made("operate", "operate", None), both, both),
    ]


def routes(services: Services) -> list[tuple[str, str]]:
    """(method, path) of every route that is not open to everybody."""
    found = [
        (method, route.path)
        for router in create_app(services).state.routers
        for route in every(router)
        if route.path not in OPEN
        for method in sorted((route.methods or set()) - {"HEAD", "OPTIONS"})
    ]
    assert len(found) > 30
    return found


def every(router: APIRouter) -> Iterator[APIRoute]:
    """The routes of a router and of those within it."""
    for route in router.routes:
        if isinstance(route, APIRoute):
            yield route
        inner = getattr(route, "original_router", None)
        if inner is not None:
            yield from every(inner)


def asked(path: str, site: str) -> str:
    """A path with its blanks filled: the site's own id, and ids that are of nobody."""
    filled = path.replace("{site}", site).replace("{id}", f"{site}:mains-lost:1")
    return re.sub(r"\{[^}]*\}", "x", filled)


def test_no_route_answers_a_stranger(outside: tuple[TestClient, Services]) -> None:
    """None and revoked: 401, or the way to the login. Nothing else is told, not even whether a site is there."""
    client, services = outside
    strangers, let_in = identities(services)[:2], set()
    for method, path in routes(services):
        for who in strangers:
            for site in (OWN, OTHER):
                answer = client.request(method, asked(path, site), headers=who.header, follow_redirects=False)
                led = answer.status_code == 303 and answer.headers["location"].startswith("/login")
                refused = answer.status_code in (401, 422) if path.startswith("/api/") else answer.status_code == 401
                if not (led or refused):
                    let_in.add((method, path, answer.status_code))
                assert "Larkspur" not in answer.text
    assert let_in == set()


def test_one_site_sees_and_changes_its_own_alone(outside: tuple[TestClient, Services]) -> None:
    """A route of a site answers 404 to whoever may not see it, and refuses whoever may only read a change."""
    client, services = outside
    for who in identities(services)[2:]:
        for method, path in routes(services):
            if "{site}" not in path and "{id}" not in path:
                continue
            for site in (OWN, OTHER):
                code = client.request(method, asked(path, site), headers=who.header, follow_redirects=False).status_code
                if site not in who.reads:
                    assert code in (403, 404, 422), (who.name, method, path, site, code)
                if method != "GET" and site not in who.operates:
                    assert code in (403, 404, 422), (who.name, method, path, site, code)
                assert code < 500, (who.name, method, path, site, code)


def test_a_list_holds_what_its_asker_may_see(outside: tuple[TestClient, Services]) -> None:
    client, services = outside
    for who in identities(services)[2:]:
        for path in ("/api/v1/sites", "/metrics", "/"):
            told_of = OWN in client.get(path, headers=who.header).text
            assert told_of is (OWN in who.reads), (who.name, path)
