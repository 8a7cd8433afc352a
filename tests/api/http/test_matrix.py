"""Each route of the application against each identity, on their own site and on another: made from the router itself,
so that a route that is added is asked as well, and must be named here where it is open to everybody."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import pytest
from fastapi import APIRouter
from fastapi.routing import APIRoute
from starlette.testclient import TestClient

from api.http.app import create_app
from api.http.keyring import Rights, new_token, revoke_token
from api.process.services import Services
from forecaster.domain.alarms import AlarmTransition, TransitionKind
from forecaster.twin.live import larkspur_site
from tests.api.serving import described, serving

OPEN = frozenset({
    "/livez", "/readyz", "/healthz", "/openapi.json", "/login", "/static/{name}", "/manifest.webmanifest",
    "/service-worker.js", "/offline", "/favicon.ico", "/language/{code}", "/look",
    "/reader/{what}/{choice}",
    "/acknowledge/{token}", "/answer/{token}", "/calendar/{token}.ics",
})  # fmt: skip
"""Routes that ask for no login: health without details, what a browser needs before it, and signed links."""

BODIES = {"/api/v1/alarms/{id}/shelve": {"minutes": 30}}
"""Without these a request is refused for its form, and nothing is learnt of the rights."""

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
    """Two houses, each with the same alarm."""
    neighbour = replace(larkspur_site(), id=OTHER, name="Elsewhere Road 3")
    with serving(tmp_path, host="0.0.0.0", beside=[neighbour]) as (client, services):
        known = services.ledger.alarms(OWN)[0]
        same = [replace(known, id=f"{site}:mains-lost:1", site=site) for site in (OWN, OTHER)]
        raised = [AlarmTransition(alarm, TransitionKind.RAISED, alarm.changed_ms) for alarm in same]
        services.ledger.commit_transitions(raised, [], [])
        described(tmp_path)
        yield client, services


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
    """A path with its blanks filled: a site, its alarm, and otherwise ids that are of nobody."""
    of_nobody = "0" * 24 if "/subscriptions/" in path else f"{site}:mains-lost:1"
    filled = path.replace("{site}", site).replace("{id}", of_nobody)
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
                if not (led or answer.status_code == 401):
                    let_in.add((method, path, answer.status_code))
                assert "Larkspur" not in answer.text
    assert let_in == set()


@pytest.mark.slow
def test_one_site_sees_and_changes_its_own_alone(outside: tuple[TestClient, Services]) -> None:
    """A route of a site answers 404 to whoever may not see it, and refuses whoever may only read a change.

    What is allowed is asked once, by the operator of everything: some routes start a child that takes seconds.
    """
    client, services = outside
    everybody = identities(services)[2:]
    for who in everybody:
        for method, path in routes(services):
            if "{site}" not in path and "{id}" not in path:
                continue
            for site in (OWN, OTHER):
                refusal = refused_with(who, method, path, site)
                if refusal is None and (who is not everybody[-1] or site == OTHER):
                    continue
                answer = client.request(
                    method, asked(path, site), headers=who.header, json=BODIES.get(path), follow_redirects=False
                )
                assert answer.status_code < 500, (who.name, method, path, site, answer.text)
                assert refusal in (None, answer.status_code), (who.name, method, path, site, answer.text)


def refused_with(who: Identity, method: str, path: str, site: str) -> int | None:
    """What a request must be refused with; None where this identity may ask it.

    A site that may not be seen is not there, whatever is asked of it. An alarm's address names no site that could be
    looked up first: who may change nothing at all is told so before the alarm is looked for.
    """
    if method != "GET" and "/alarms/{id}" in path and not who.operates:
        return 403
    if "/subscriptions/{id}" in path or site not in who.reads:
        return 404
    return 403 if method != "GET" and site not in who.operates else None


def test_a_list_holds_what_its_asker_may_see(outside: tuple[TestClient, Services]) -> None:
    client, services = outside
    for who in identities(services)[2:]:
        for path in ("/api/v1/sites", "/api/v1/alarms", "/metrics", "/"):
            said = client.get(path, headers=who.header).text
            for site in (OWN, OTHER):
                assert (site in said) is (site in who.reads), (who.name, path, site)
