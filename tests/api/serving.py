"""An installation with an outage recorded, and a client that asks it over HTTP without a socket."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

from starlette.testclient import TestClient

from api.http.app import create_app
from api.process.services import Services
from collector.config.settings import Http
from forecaster.domain.site import Site
from forecaster.twin.live import larkspur_site
from tests.collector.examples import LARKSPUR
from tests.scenario import services, tell_larkspur

LOOPBACK = "http://127.0.0.1:8642"


@cache
def outage_files() -> dict[str, bytes]:
    """The databases of that outage, by their names; simulated once a process, for it takes seconds."""
    with TemporaryDirectory() as place:
        folder, site = Path(place), larkspur_site()
        opened = services(folder, {site.id: site})
        tell_larkspur(opened.store, opened.ledger, before_h=3.0, lost_h=1.2)
        opened.close()
        return {path.name: path.read_bytes() for path in folder.glob("*.db*")}


def write_outage(folder: Path) -> None:
    """Larkspur Lane some hours into an outage, as databases of an installation."""
    for name, held in outage_files().items():
        (folder / name).write_bytes(held)


@contextmanager
def serving(
    folder: Path, *, host: str = "127.0.0.1", outage: bool = True, http: Http | None = None, beside: Sequence[Site] = ()
) -> Iterator[tuple[TestClient, Services]]:
    """Larkspur Lane some hours into an outage, served; and other sites, of which nothing was heard."""
    if outage:
        write_outage(folder)
    opened = services(folder, {site.id: site for site in (larkspur_site(), *beside)}, host=host, http=http)
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
