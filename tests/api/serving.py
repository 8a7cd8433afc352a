"""An installation with an outage recorded, and a client that asks it over HTTP without a socket."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from starlette.testclient import TestClient

from api.http.app import create_app
from api.process.services import Services
from collector.config.settings import Http
from forecaster.domain.site import Site
from forecaster.twin.live import larkspur_site
from tests.collector.examples import LARKSPUR
from tests.scenario import services, tell_larkspur

LOOPBACK = "http://127.0.0.1:8642"


@contextmanager
def serving(
    folder: Path, *, host: str = "127.0.0.1", outage: bool = True, http: Http | None = None, beside: Sequence[Site] = ()
) -> Iterator[tuple[TestClient, Services]]:
    """Larkspur Lane some hours into an outage, served; and other sites, of which nothing was heard."""
    opened = services(folder, {site.id: site for site in (larkspur_site(), *beside)}, host=host, http=http)
    if outage:
        tell_larkspur(opened.store, opened.ledger, before_h=3.0, lost_h=1.2)
    client = TestClient(create_app(opened), base_url=LOOPBACK, raise_server_exceptions=False)
    try:
        yield client, opened
    finally:
        client.close()
        opened.close()


def described(folder: Path) -> None:
    """Write what is served from memory into the files of an installation, for the commands that a route starts."""
    (folder / "outlast.toml").write_text('[broker]\nurl = "mqtt://127.0.0.1:1"\n')
    (folder / "sites" / "larkspur.toml").write_text(LARKSPUR)
