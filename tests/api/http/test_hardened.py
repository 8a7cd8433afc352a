"""What is sent to break in or break down, and what it costs: tokens, sessions, bodies, odd characters and years."""

from __future__ import annotations

import asyncio
import logging
import resource
import threading
from collections.abc import AsyncIterator, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import anyio
import httpx
import pytest
from argon2 import PasswordHasher
from sse_starlette import ServerSentEvent
from starlette.testclient import TestClient

from api.http.bodies import LIMIT_BYTES
from api.http.keyring import FAST, SLOW_TRIES, new_token, revoke_token
from api.http.refused import MOST
from api.http.security import COOKIE
from api.http.stream_state import while_allowed
from api.process.services import Services
from collector.config.set_aside import find_sites
from collector.config.settings import site_toml
from tests.api.serving import serving
from tests.faults.house import CELLAR

SITE = "/api/v1/sites/larkspur"
OUTSIDE = {"Host": "pump.example.org"}


@pytest.fixture
def outside(tmp_path: Path) -> Iterator[tuple[TestClient, Services]]:
    """Reachable by others, so that everybody logs in."""
    with serving(tmp_path, host="0.0.0.0", outage=False) as made:
        yield made


def bearer(secret: str) -> dict[str, str]:
    return {"Authorization": f"Bearer {secret}"}


def test_a_token_is_kept_as_a_keyed_hash_and_wrong_ones_cost_nothing(outside: tuple[TestClient, Services]) -> None:
    """In: 200 wrong secrets for a known id, 20 at once. Out: 200 times 401, and less than 16 MB more memory."""
    client, services = outside
    token, secret = new_token(services.ledger, services.clock, "phone", "read", None)
    assert token.hashed.startswith(FAST)
    assert client.get("/api/v1/sites", headers=bearer(secret)).status_code == 200
    before_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    with ThreadPoolExecutor(20) as pool:
        found = list(pool.map(lambda n: services.keyring.token(f"{secret[:-3]}{n:03}"), range(200)))
    assert found == [None] * 200
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before_kb < 16 * 1024
    assert services.keyring.token(secret) is not None


@pytest.mark.slow
def test_a_token_of_an_older_release_is_checked_slowly_once(outside: tuple[TestClient, Services]) -> None:
    """In: 60 wrong secrets at once for an argon2 hash of 64 MiB. Out: at most 5 are hashed, the others are 429."""
    client, services = outside
    token, secret = new_token(services.ledger, services.clock, "phone", "read", None)
    services.ledger.save_token(replace(token, hashed=PasswordHasher().hash(secret)))
    assert client.get("/api/v1/sites", headers=bearer(secret)).status_code == 200
    assert next(t for t in services.ledger.tokens() if t.id == token.id).hashed.startswith(FAST)
    services.ledger.save_token(replace(token, hashed=PasswordHasher().hash(secret)))
    before_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    with ThreadPoolExecutor(60) as pool:
        codes = list(
            pool.map(lambda _: client.get("/api/v1/sites", headers=bearer(secret + "x")).status_code, range(60))
        )
    assert codes.count(401) == SLOW_TRIES - 1  # one try was the right one before
    assert codes.count(429) == 60 - codes.count(401)
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before_kb < 200 * 1024


def test_nobody_locks_the_owner_out(outside: tuple[TestClient, Services]) -> None:
    """In: 80 wrong logins at once from one address, then the right one. Out: 80 refused, the right one is let in."""
    client, services = outside
    _, secret = new_token(services.ledger, services.clock, "owner", "operate", None)
    with ThreadPoolExecutor(20) as pool:
        codes = list(pool.map(lambda n: client.post("/login", data={"token": f"outlast_x_{n}"}).status_code, range(80)))
    assert set(codes) == {401, 429}
    assert client.post("/login", data={"token": secret}, follow_redirects=False).status_code == 303


def test_a_copied_cookie_ends_with_its_session(outside: tuple[TestClient, Services], tmp_path: Path) -> None:
    client, services = outside
    token, _ = new_token(services.ledger, services.clock, "owner", "operate", None)
    first, second = services.keyring.open_session(token), services.keyring.open_session(token)
    assert client.get("/api/v1/sites", headers={"Cookie": f"{COOKIE}={first}"}).status_code == 200
    services.keyring.close_session(first)
    assert client.get("/api/v1/sites", headers={"Cookie": f"{COOKIE}={first}"}).status_code == 401
    assert client.get("/api/v1/sites", headers={"Cookie": f"{COOKIE}={second}"}).status_code == 200
    revoke_token(services.ledger, services.clock, token.id)
    assert client.get("/api/v1/sites", headers={"Cookie": f"{COOKIE}={second}"}).status_code == 401
    kept = b"".join(path.read_bytes() for path in tmp_path.glob("outlast*.db*"))
    assert token.id.encode() in kept
    assert first.encode() not in kept
    assert second.encode() not in kept


def test_a_stream_ends_with_its_token() -> None:
    """Events come until the token is revoked, and then the stream ends, though nothing happens on it."""
    standing = threading.Event()
    standing.set()

    async def quiet() -> AsyncIterator[ServerSentEvent]:
        yield ServerSentEvent(data="one")
        await asyncio.Event().wait()

    async def listen() -> list[ServerSentEvent]:
        heard = []
        async for event in while_allowed(quiet(), standing.is_set, every_s=0.05):
            heard.append(event)
            standing.clear()
        return heard

    assert len(anyio.run(listen)) == 1


FAULTY = """[[contacts]]
name = "Robin Ownerly"
email = "robin@ownerly@example.org"
[[contacts]]
name = "Sam Nextdoor"
phone = "call 555 0142"
[[contacts]]
name = "Kim"
email = "kim@example.org"
quiet_hours = "sam@example.org"
[[contacts]]
"lee@example.org" = "email"
"""


@pytest.mark.parametrize("whole", [False, True], ids=["contacts", "file"])
def test_what_is_set_aside_is_named_to_readers_without_what_it_holds_of_people(
    outside: tuple[TestClient, Services], tmp_path: Path, whole: bool
) -> None:
    """In: contacts that cannot be read, or a file; health and pages, asked with a read token of all sites."""
    client, services = outside
    folder = tmp_path / "aside"
    folder.mkdir()
    text = site_toml(CELLAR) + FAULTY
    if whole:
        text = text.replace('id = "larkspur"', 'id = "sam@example.org"')
    (folder / "larkspur.toml").write_text(text)
    (folder / "elder.toml").write_text(site_toml(replace(CELLAR, id="elder")))
    found = find_sites(folder, "en")
    services.installation = replace(services.installation, sites=found.sites, set_aside=found.set_aside)
    _, secret = new_token(services.ledger, services.clock, "reader", "read", None)
    told = client.get("/healthz", headers=bearer(secret)).json()["says"]
    assert any("larkspur.toml" in line and "set aside" in line for line in told)
    pages = ("/", "/sites/elder", "/api/v1/sites", *(() if whole else ("/sites/larkspur", "/sites/larkspur/leaving")))
    answers = [client.get(page, headers=bearer(secret)) for page in pages]
    assert [answer.status_code for answer in answers] == [200] * len(pages)
    shown = [*told, *(answer.text for answer in answers)]
    for private in ("ownerly", "Ownerly", "Sam", "sam@", "555 0142", "lee@"):
        assert [text for text in shown if private in text] == []
    _, operates = new_token(services.ledger, services.clock, "keeper", "operate", None)
    assert "sam@example.org" in str(client.get("/healthz", headers=bearer(operates)).json()["says"])


def test_health_tells_strangers_no_hosts_and_errors(outside: tuple[TestClient, Services]) -> None:
    client, services = outside
    services.refused = "sites/larkspur.toml: a secret path"
    _, secret = new_token(services.ledger, services.clock, "owner", "read", None)
    _, of_one = new_token(services.ledger, services.clock, "guest", "read", "larkspur")
    for path in ("/healthz", "/readyz", "/livez"):
        assert client.get(path).json()["says"] == []
        assert client.get(path, headers=bearer(of_one)).json()["says"] == []
    read = str(client.get("/healthz", headers=bearer(secret)).json()["says"])
    assert "changed site files are not taken" in read
    assert "a secret path" not in read
    _, operates = new_token(services.ledger, services.clock, "keeper", "operate", None)
    assert "a secret path" in str(client.get("/healthz", headers=bearer(operates)).json()["says"])
    assert client.get("/healthz").json()["status"] == "degraded"
    assert client.get("/healthz").status_code == 200


def test_a_large_body_is_refused_before_it_is_read(outside: tuple[TestClient, Services]) -> None:
    """In: 300 MB with and without a length, no login. Out: 413, and less than 32 MB more memory."""
    client, _ = outside
    before_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    assert client.post("/api/v1/sizing", content=b"x" * (LIMIT_BYTES + 1)).status_code == 413

    def parts() -> Iterator[bytes]:
        for _ in range(300):
            yield b"x" * 1_000_000

    transport = httpx.ASGITransport(client.app)

    async def send() -> int:
        async def chunks() -> AsyncIterator[bytes]:
            for part in parts():
                yield part

        async with httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1") as asking:
            answer = await asking.post("/login", content=chunks())
            return answer.status_code

    assert asyncio.run(send()) == 413
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before_kb < 32 * 1024


def test_answers_are_kept_by_nobody_else(outside: tuple[TestClient, Services]) -> None:
    client, services = outside
    _, secret = new_token(services.ledger, services.clock, "owner", "read", None)
    for path in ("/api/v1/sites", "/healthz", "/metrics", "/openapi.json"):
        assert client.get(path, headers=bearer(secret)).headers["cache-control"].startswith("private"), path


ODD = [
    ("GET", f"{SITE}/forecast?until=0001-01-01T00:00:00Z"),
    ("GET", f"{SITE}/forecast?until=9999-12-31T23:59:59-12:00"),
    ("GET", f"{SITE}/forecasts?from=0001-01-01T00:00:00%2B14:00&to=9999-12-31T23:59:59-12:00"),
    ("GET", f"{SITE}/readings?quantity=pump_power&from=0001-01-01T00:00:00Z&to=9999-01-01T00:00:00Z"),
    ("GET", f"{SITE}/cycles?cursor=bogus"),
    ("GET", "/api/v1/alarms?cursor=bogus"),
    ("GET", "/sites/larkspur/history?until=0001-01-01"),
    ("GET", "/sites/larkspur/history?until=9999-12-31"),
    ("GET", "/sites/larkspur/history?until=1969-12-31"),
    ("GET", "/sites/larkspur/history/pump.csv?until=9999-12-31"),
]


@pytest.mark.parametrize(("method", "path"), ODD)
def test_odd_values_are_the_askers_fault(tmp_path: Path, method: str, path: str) -> None:
    with serving(tmp_path) as (client, _):
        answer = client.request(method, path)
        assert answer.status_code == (422 if path.startswith("/api/") else 400), answer.text


def test_odd_characters_are_refused_not_stumbled_over(outside: tuple[TestClient, Services]) -> None:
    """A cookie and a CSRF header beyond ASCII, as no browser sends them (RFC 6265 section 4.1.1)."""
    client, services = outside
    token, _ = new_token(services.ledger, services.clock, "owner", "operate", None)
    session = services.keyring.open_session(token).encode()
    name = COOKIE.encode()
    assert client.get("/api/v1/sites", headers={b"cookie": name + b"=\xe9\xff.1.\xe9"}).status_code == 401
    headers = {b"cookie": name + b"=" + session, b"x-csrf-token": b"\xe9\xff"}
    assert client.post("/api/v1/alarms/x/acknowledge", headers=headers).status_code == 403
    assert client.get("/api/v1/sites", headers={b"authorization": b"Bearer outlast_\xe9_\xff"}).status_code == 401


def test_refused_requests_are_told_in_the_log_and_fill_no_disk(
    outside: tuple[TestClient, Services], caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    """ASVS 5.0 V16.3.2, V16.3.3. In: one who may only read, a page of another site, another name, and then many. Out: a
    line each with method, path and whence, at most 20 a window, and nothing of the links that open a door."""
    caplog.set_level(logging.WARNING, "outlast.api")
    monkeypatch.setattr("api.http.refused.WINDOW_S", 1e12)
    monkeypatch.setattr("api.http.refused.refused._count", 0)
    client, services = outside
    _, secret = new_token(services.ledger, services.clock, "phone", "read", None)
    other = {"Origin": "https://elsewhere.example"}
    assert client.post("/api/v1/alarms/x/acknowledge", headers=bearer(secret)).status_code == 403
    assert client.post("/calendar/a-secret.ics", headers=other).status_code == 403
    said = [record.getMessage() for record in caplog.records]
    assert said == [
        "refused with 403: POST /api/v1/alarms/x/acknowledge from testclient",
        "refused with 403: POST /calendar/… from testclient",
    ]
    for _ in range(2 * MOST):
        client.post("/login", headers=other)
    assert len(caplog.records) == MOST
