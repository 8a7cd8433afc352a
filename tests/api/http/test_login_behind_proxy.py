"""The login behind a proxy on this machine: tries are counted by the address the proxy tells, and by no forged one.

nginx is configured to replace `X-Forwarded-For` (`deploy/nginx/nginx-proxy.conf`); a proxy that appends instead puts
what it saw itself last, and that is what counts. The addresses are of RFC 5737, for documentation.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest

from collector.config.settings import Http
from tests.api.pagesample import site
from tests.browser.serving import Served, serving
from tests.scenario import services

NAME = "outlast.example.org"


@pytest.fixture
def proxied(tmp_path: Path) -> Iterator[Served]:
    """A real server on loopback that others know by a name."""
    held = services(tmp_path, {"larkspur": site()}, http=Http(hosts=(NAME,)))
    with serving(held) as served:
        yield served
    held.close()


def tried(served: Served, forwarded: str, proto: str = "https") -> int:
    headers = {"host": NAME, "x-forwarded-for": forwarded, "x-forwarded-proto": proto, "origin": f"{proto}://{NAME}"}
    return httpx.post(f"{served.url}/login", data={"token": "outlast_0_x"}, headers=headers, timeout=60).status_code


def test_one_address_that_guesses_does_not_shut_out_another(proxied: Served) -> None:
    assert [tried(proxied, "203.0.113.7") for _ in range(6)] == [401] * 5 + [429]
    assert tried(proxied, "198.51.100.9") == 401


def test_an_address_put_before_the_proxys_own_changes_nothing(proxied: Served) -> None:
    assert [tried(proxied, f"192.0.2.{k}, 203.0.113.7") for k in range(6)] == [401] * 5 + [429]
