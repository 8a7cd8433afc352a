"""Who may do what: loopback, tokens, scopes, sites, sessions, other origins."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from api.http.keyring import SESSION_S, Keyring, new_token, revoke_token
from api.http.security import COOKIE, is_loopback
from api.process.services import Services, require_door
from collector.config.settings import Http
from forecaster.domain.errors import ConfigError, NotFound, UsageError
from tests.api.serving import serving
from tests.scenario import HeldClock

SITES = "/api/v1/sites"
ALARM = "/api/v1/alarms/larkspur:mains-lost:1/acknowledge"


@pytest.fixture
def open_to_others(tmp_path: Path) -> Iterator[tuple[TestClient, Services]]:
    with serving(tmp_path, host="0.0.0.0", outage=False) as both:
        yield both


def bearer(secret: str) -> dict[str, str]:
    return {"Authorization": f"Bearer {secret}"}


@pytest.mark.parametrize(
    ("host", "near"),
    [("127.0.0.1", True), ("127.8.8.8", True), ("::1", True), ("[::1]", True), ("localhost", True),
     ("0.0.0.0", False), ("::", False), ("192.0.2.7", False), ("example.org", False)],
)  # fmt: skip
def test_what_loopback_is(host: str, near: bool) -> None:
    assert is_loopback(host) is near


def test_beyond_loopback_nothing_starts_without_a_token(open_to_others: tuple[TestClient, Services]) -> None:
    _, services = open_to_others
    with pytest.raises(ConfigError, match="outlast token add"):
        require_door(services)
    token, _ = new_token(services.ledger, services.clock, "phone", "read", None)
    require_door(services)
    revoke_token(services.ledger, services.clock, token.id)
    with pytest.raises(ConfigError):
        require_door(services)


def test_tokens_open_what_their_scope_says(open_to_others: tuple[TestClient, Services]) -> None:
    client, services = open_to_others
    assert client.get(SITES).status_code == 401
    assert client.get(SITES).headers["www-authenticate"] == "Bearer"
    _, reads = new_token(services.ledger, services.clock, "screen", "read", None)
    _, operates = new_token(services.ledger, services.clock, "owner", "operate", None)
    assert client.get(SITES, headers=bearer(reads)).status_code == 200
    assert client.post(ALARM, headers=bearer(reads)).status_code == 403
    assert client.post(ALARM, headers=bearer(operates)).status_code == 404  # allowed, and there is no such alarm


def test_a_token_of_one_site_sees_that_site_alone(open_to_others: tuple[TestClient, Services]) -> None:
    client, services = open_to_others
    _, other = new_token(services.ledger, services.clock, "neighbour", "operate", "elsewhere")
    assert client.get(SITES, headers=bearer(other)).json()["sites"] == []
    for path in (f"{SITES}/larkspur", f"{SITES}/larkspur/outages", "/api/v1/stream?site=larkspur"):
        assert client.get(path, headers=bearer(other)).status_code == 404


@pytest.mark.parametrize("secret", ["", "x", "outlast_", "outlast_00000000_x", "a_b_c", "outlast__"])
def test_wrong_tokens_open_nothing(open_to_others: tuple[TestClient, Services], secret: str) -> None:
    client, _ = open_to_others
    assert client.get(SITES, headers=bearer(secret)).status_code == 401
    assert client.get(SITES, headers={"Authorization": f"Basic {secret}"}).status_code == 401


def test_tokens_are_kept_hashed_and_revoked_at_once(open_to_others: tuple[TestClient, Services]) -> None:
    client, services = open_to_others
    token, secret = new_token(services.ledger, services.clock, "phone", "read", None)
    assert token.hashed.startswith("blake2b$")
    assert secret not in repr(services.ledger.tokens())
    assert client.get(SITES, headers=bearer(secret)).status_code == 200
    assert client.get(SITES, headers=bearer(secret[:-1] + "!")).status_code == 401
    revoke_token(services.ledger, services.clock, "phone")
    assert client.get(SITES, headers=bearer(secret)).status_code == 401
    with pytest.raises(NotFound):
        revoke_token(services.ledger, services.clock, "phone")
    with pytest.raises(UsageError):
        new_token(services.ledger, services.clock, "  ", "read", None)


def test_sessions_carry_a_form_value_and_end(open_to_others: tuple[TestClient, Services]) -> None:
    client, services = open_to_others
    token, _ = new_token(services.ledger, services.clock, "owner", "operate", None)
    session = services.keyring.open_session(token)
    client.cookies.set(COOKIE, session)
    assert client.get(SITES).status_code == 200
    assert client.post(ALARM).status_code == 403
    value = services.keyring.csrf(session)
    assert client.post(ALARM, headers={"x-csrf-token": value}).status_code == 404
    assert (
        client.post(ALARM, headers={"x-csrf-token": value[:-1] + ("1" if value[-1] == "0" else "0")}).status_code == 403
    )
    assert services.keyring.session(session + "x") is None
    assert services.keyring.session("..") is None
    clock = services.clock
    assert isinstance(clock, HeldClock)
    clock.move(SESSION_S + 1)
    assert client.get(SITES).status_code == 401


def test_another_process_reads_the_same_sessions(open_to_others: tuple[TestClient, Services]) -> None:
    _, services = open_to_others
    token, _ = new_token(services.ledger, services.clock, "owner", "operate", None)
    session = services.keyring.open_session(token)
    kept = Keyring(services.ledger, services.clock).session(session)
    assert kept is not None
    assert kept.id == token.id


@pytest.mark.parametrize("host", ["evil.example.org", "evil.example.org:8642", "127.0.0.1.example.org", ""])
def test_on_loopback_other_names_are_refused(tmp_path: Path, host: str) -> None:
    """A page of another site that resolves its own name to 127.0.0.1 gets nothing (DNS rebinding)."""
    with serving(tmp_path, outage=False) as (client, _):
        assert client.get(SITES, headers={"Host": host}).status_code == 421
        for near in ("localhost:8642", "127.0.0.1", "[::1]:8642"):
            assert client.get(SITES, headers={"Host": near}).status_code == 200


NAMED = Http(hosts=("outlast.example.org",))
MAILED = Http(public_url="https://outlast.example.org/")


@pytest.mark.parametrize("http", [NAMED, MAILED], ids=["hosts", "public_url"])
def test_a_name_behind_a_proxy_is_answered_and_everybody_must_log_in(tmp_path: Path, http: Http) -> None:
    """Whoever comes through a proxy on this machine comes from 127.0.0.1: that proves nothing any more."""
    with serving(tmp_path, outage=False, http=http) as (client, services):
        with pytest.raises(ConfigError, match=r"outlast\.example\.org is reachable by others"):
            require_door(services)
        _, secret = new_token(services.ledger, services.clock, "owner", "operate", None)
        require_door(services)
        for name in ("outlast.example.org", "OUTLAST.example.org:443", "127.0.0.1:8642", "localhost"):
            assert client.get(SITES, headers={"Host": name}).status_code == 401
            assert client.get(SITES, headers={"Host": name, **bearer(secret)}).status_code == 200
            assert client.get("/readyz", headers={"Host": name}).status_code == 200
        for name in ("evil.example.org", "example.org", "outlast.example.org.evil.example", ""):
            refused = client.get(SITES, headers={"Host": name, **bearer(secret)})
            assert refused.status_code == 421
            assert "[http] hosts in outlast.toml" in refused.json()["detail"]


@pytest.mark.parametrize("url", ["http://127.0.0.1:8642", "http://localhost:8642/", "http://[::1]:8642"])
def test_a_public_url_of_this_machine_alone_needs_no_login(tmp_path: Path, url: str) -> None:
    with serving(tmp_path, outage=False, http=Http(public_url=url)) as (client, services):
        require_door(services)
        assert client.get(SITES).status_code == 200
        assert client.get(SITES, headers={"Host": "evil.example.org"}).status_code == 421


def test_beyond_loopback_names_are_held_to_where_they_are_given(tmp_path: Path) -> None:
    """An address on a network has as many names as its machines give it; `hosts` narrows them down."""
    for http, status in ((Http(host="0.0.0.0"), 401), (MAILED.model_copy(update={"host": "0.0.0.0"}), 401),
                         (NAMED.model_copy(update={"host": "0.0.0.0"}), 421)):  # fmt: skip
        with serving(tmp_path, outage=False, http=http) as (client, _):
            assert client.get(SITES, headers={"Host": "pump.home:8642"}).status_code == status


def test_pages_of_other_sites_cannot_write(tmp_path: Path) -> None:
    with serving(tmp_path, outage=False) as (client, _):
        assert client.post(ALARM, headers={"Origin": "https://evil.example.org"}).status_code == 403
        assert client.post(ALARM, headers={"Origin": "null"}).status_code == 403
        assert client.post(ALARM, headers={"Sec-Fetch-Site": "cross-site"}).status_code == 403
        assert client.post(ALARM, headers={"Origin": "http://127.0.0.1:8642"}).status_code == 404


def test_every_answer_carries_the_guarding_headers(tmp_path: Path) -> None:
    with serving(tmp_path, outage=False) as (client, _):
        for path in ("/", SITES, "/nothing"):
            headers = client.get(path).headers
            assert "default-src 'self'" in headers["content-security-policy"]
            assert headers["x-content-type-options"] == "nosniff"
