"""A served installation behind real nginx with the shipped file: login, event stream, names."""

from __future__ import annotations

import re
import ssl
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import httpx
import pytest

from api.http.keyring import new_token
from api.http.security import COOKIE
from api.http.stream import StreamKind
from api.process.services import Services, require_door
from collector.config.settings import Http
from forecaster.twin.live import larkspur_site
from tests.browser.serving import serving
from tests.deploy.proxy import ShippedProxy
from tests.scenario import services

NAME = "outlast.example.org"


@dataclass(frozen=True, slots=True)
class Outside:
    """Somebody who reaches the installation through the proxy alone."""

    client: httpx.Client
    proxy: ShippedProxy
    services: Services
    secret: str


@pytest.fixture
def outside(tmp_path: Path) -> Iterator[Outside]:
    """Larkspur Lane served on loopback as the comment in the shipped file says, and nginx before it."""
    site = larkspur_site()
    shipped = (Path(__file__).parents[2] / "deploy" / "nginx" / "outlast.conf").read_text()
    told = re.search(r'hosts = \["([^"]+)"\]', shipped)
    assert told is not None
    assert told[1] == NAME
    held = services(tmp_path, {site.id: site}, http=Http(hosts=(told[1],)))
    _, secret = new_token(held.ledger, held.clock, "owner", "operate", None)
    require_door(held)
    with serving(held) as served:
        proxy = ShippedProxy(tmp_path / "nginx", upstream_port=int(served.url.rpartition(":")[2]))
        proxy.prepare()
        proxy.start()
        trust = ssl.create_default_context(cafile=str(tmp_path / "nginx" / "ca.crt"))
        base = f"https://127.0.0.1:{proxy.tls_port}"
        try:
            with httpx.Client(base_url=base, verify=trust, headers={"Host": NAME}, timeout=30.0) as client:
                yield Outside(client, proxy, held, secret)
        finally:
            proxy.stop()
    held.close()


def test_who_comes_through_the_proxy_must_log_in(outside: Outside) -> None:
    """From nginx everybody comes from 127.0.0.1; none of them is taken for the owner at the keyboard."""
    assert outside.client.get("/api/v1/sites").status_code == 401
    sent_away = outside.client.get("/")
    assert (sent_away.status_code, sent_away.headers["location"]) == (303, "/login?next=%2F")
    assert outside.client.get("/readyz").status_code == 200


def test_a_login_through_the_proxy_gives_a_session_for_tls_alone(outside: Outside) -> None:
    origin = {"Origin": f"https://{NAME}"}
    wrong = outside.client.post("/login", data={"token": "outlast_x_y"}, headers=origin)
    assert wrong.status_code == 401
    answer = outside.client.post("/login", data={"token": outside.secret, "next": "/"}, headers=origin)
    assert (answer.status_code, answer.headers["location"]) == (303, "/")
    cookie = answer.headers["set-cookie"]
    assert {"secure", "httponly", "samesite=lax"} <= {part.strip().lower() for part in cookie.split(";")}
    session = {"Cookie": cookie.partition(";")[0]}
    assert session["Cookie"].startswith(f"{COOKIE}=")
    assert "Larkspur Lane" in outside.client.get("/", headers=session).text
    assert "max-age" in answer.headers["strict-transport-security"]


def test_a_page_of_another_origin_cannot_log_in(outside: Outside) -> None:
    """The port counts: what the browser is told as Host must reach Outlast whole."""
    port = outside.proxy.tls_port
    own = {"Host": f"{NAME}:{port}", "Origin": f"https://{NAME}:{port}"}
    assert outside.client.post("/login", data={"token": outside.secret}, headers=own).status_code == 303
    foreign = {"Host": f"{NAME}:{port}", "Origin": "https://evil.example.org"}
    assert outside.client.post("/login", data={"token": outside.secret}, headers=foreign).status_code == 403


def test_the_stream_is_not_held_back(outside: Outside) -> None:
    """Each event arrives while the answer is still open, before the next is made."""
    headers = {"Authorization": f"Bearer {outside.secret}"}
    with outside.client.stream("GET", "/api/v1/stream?site=larkspur", headers=headers) as answer:
        assert answer.headers["content-type"].startswith("text/event-stream")
        lines = answer.iter_lines()
        assert '"last":true' in next(line for line in lines if line.startswith("data:"))  # the state, first
        for number in range(3):
            outside.services.hub.publish(StreamKind.FORECAST, "larkspur", f'"{number}"')
            assert next(line for line in lines if line.startswith("data:")) == f'data: "{number}"'


@pytest.mark.parametrize("name", ["evil.example.org", "example.org", f"{NAME}.evil.example"])
def test_an_unknown_name_is_refused(outside: Outside, name: str) -> None:
    headers = {"Host": name, "Authorization": f"Bearer {outside.secret}"}
    answer = outside.client.get("/api/v1/sites", headers=headers)
    assert answer.status_code == 421
    assert answer.headers["content-type"] == "application/problem+json"


def test_plain_http_is_sent_to_tls(outside: Outside) -> None:
    answer = httpx.get(f"http://127.0.0.1:{outside.proxy.port}/sites/larkspur", headers={"Host": NAME}, timeout=60)
    assert (answer.status_code, answer.headers["location"]) == (301, f"https://{NAME}/sites/larkspur")
