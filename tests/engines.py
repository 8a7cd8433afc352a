"""Real server engines for tests: InfluxDB 1.6 behind nginx with the shipped write-path rewrite, and PostgreSQL."""

from __future__ import annotations

import os
import shutil
import signal
import socket
import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from random import SystemRandom
from tempfile import TemporaryDirectory

import httpx
from sqlalchemy import create_engine, text

ROOT = Path(__file__).resolve().parents[1]
INFLUX_PROXY = ROOT / "deploy" / "nginx" / "influx-v1.conf"


PATIENCE_S = 120.0
"""How long tests wait for what comes within a second on an idle machine [s]: on a busy one it may take a minute."""


_PORTS = 12_000, 32_000
"""From where to where a free one is looked for; Linux gives those from 32768 on (ip_local_port_range)."""


def free_port() -> int:
    """A TCP port on loopback that nobody listens on, from below those that Linux gives to whoever asks for any.

    What another process is given in the moment before the port is used is therefore hardly ever this one.
    """
    while True:
        port = SystemRandom().randrange(*_PORTS)
        with socket.socket() as probe, suppress(OSError):
            probe.bind(("127.0.0.1", port))
            return port


def wait_until(ready: Callable[[], bool], what: str, limit_s: float = PATIENCE_S) -> None:
    """Wait for a server; AssertionError when it does not come."""
    deadline = time.monotonic() + limit_s
    while not ready():
        assert time.monotonic() < deadline, f"{what} did not come up within {limit_s:.0f} s"
        time.sleep(0.05)


def answers(port: int) -> bool:
    """Whether something listens on a loopback port."""
    with socket.socket() as probe:
        probe.settimeout(0.5)
        return probe.connect_ex(("127.0.0.1", port)) == 0


@dataclass
class Influx:
    """InfluxDB with its files in a folder; stop and start as a test likes."""

    folder: Path
    port: int = field(default_factory=free_port)
    proxy_port: int = field(default_factory=free_port)
    backup_port: int = field(default_factory=free_port)
    server: subprocess.Popen[bytes] | None = None
    proxy: subprocess.Popen[bytes] | None = None

    @property
    def url(self) -> str:
        """Store URL without the bucket."""
        return f"influx+http://127.0.0.1:{self.proxy_port}"

    def start(self) -> None:
        """Start the server, and the proxy the first time."""
        config = self.folder / "influxdb.conf"
        config.write_text(
            f'reporting-enabled = false\nbind-address = "127.0.0.1:{self.backup_port}"\n'
            f'[meta]\ndir = "{self.folder}/meta"\n'
            f'[data]\ndir = "{self.folder}/data"\nwal-dir = "{self.folder}/wal"\nquery-log-enabled = false\n'
            f'[http]\nbind-address = "127.0.0.1:{self.port}"\nlog-enabled = false\n[monitor]\nstore-enabled = false\n'
        )
        with (self.folder / "influxd.log").open("ab") as log:
            self.server = subprocess.Popen(["influxd", "-config", str(config)], stdout=log, stderr=log)
        wait_until(self._pings, "influxd")
        if self.proxy is None:
            self._start_proxy()

    def _pings(self) -> bool:
        try:
            return httpx.get(f"http://127.0.0.1:{self.port}/ping").status_code == 204
        except httpx.HTTPError:
            return False

    def _start_proxy(self) -> None:
        shipped = INFLUX_PROXY.read_text()
        shipped = shipped.replace("127.0.0.1:8087", f"127.0.0.1:{self.proxy_port}")
        shipped = shipped.replace("127.0.0.1:8086", f"127.0.0.1:{self.port}")
        (self.folder / "influx-v1.conf").write_text(shipped)
        config = self.folder / "nginx.conf"
        temp = " ".join(
            f"{kind}_temp_path {self.folder}/{kind};" for kind in ("client_body", "proxy", "fastcgi", "uwsgi", "scgi")
        )
        config.write_text(
            f"daemon off; pid {self.folder}/nginx.pid; error_log {self.folder}/nginx.log;\n"
            f"events {{}}\nhttp {{ {temp} include {self.folder}/influx-v1.conf; }}\n"
        )
        self.proxy = subprocess.Popen(
            ["nginx", "-c", str(config), "-e", str(self.folder / "nginx.log")],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        wait_until(lambda: answers(self.proxy_port), "nginx")

    def stop(self) -> None:
        """Stop the server; the proxy stays and answers 502."""
        if self.server is not None:
            self.server.terminate()
            self.server.wait(PATIENCE_S)
            self.server = None

    def close(self) -> None:
        """Stop both."""
        self.stop()
        if self.proxy is not None:
            self.proxy.terminate()
            self.proxy.wait(PATIENCE_S)
            self.proxy = None


@contextmanager
def running_influx(folder: Path) -> Iterator[Influx]:
    """An InfluxDB that runs while the block does."""
    influx = Influx(folder)
    try:
        influx.start()
        yield influx
    finally:
        influx.close()


@dataclass
class Postgres:
    """A PostgreSQL cluster of its own, on loopback, with trust for the test's user."""

    folder: Path
    port: int = field(default_factory=free_port)
    server: subprocess.Popen[bytes] | None = None

    @property
    def url(self) -> str:
        """Ledger URL."""
        return f"postgresql+psycopg://postgres@127.0.0.1:{self.port}/postgres"

    def start(self) -> None:
        """Start, making the cluster the first time; as the postgres user when we are root."""
        tools = postgres_tools()
        data = self.folder / "data"
        if not data.exists():
            self.folder.chmod(0o755)
            data.mkdir(mode=0o700)
            if os.geteuid() == 0:
                shutil.chown(data, "postgres", "postgres")
            options = ["-D", str(data), "-U", "postgres", "-A", "trust", "-E", "UTF8", "--no-sync"]
            _as_postgres([str(tools / "initdb"), *options]).communicate()
        listen = ["-h", "127.0.0.1", "-p", str(self.port), "-k", ""]
        self.server = _as_postgres([str(tools / "postgres"), "-D", str(data), *listen])
        ask = [str(tools / "pg_isready"), "-q", "-h", "127.0.0.1", "-p", str(self.port)]
        wait_until(lambda: subprocess.run(ask, check=False).returncode == 0, "postgres")

    def stop(self) -> None:
        """Stop at once, ending open sessions."""
        if self.server is not None:
            self.server.send_signal(signal.SIGINT)
            self.server.wait(PATIENCE_S)
            self.server = None

    def empty_database(self, name: str) -> str:
        """Make a database anew, whoever uses the old one. Returns its ledger URL."""
        engine = create_engine(self.url, isolation_level="AUTOCOMMIT")
        with engine.connect() as connection:
            connection.execute(text(f"DROP DATABASE IF EXISTS {name} WITH (FORCE)"))
            connection.execute(text(f"CREATE DATABASE {name}"))
        engine.dispose()
        return self.url.removesuffix("/postgres") + f"/{name}"


def postgres_tools() -> Path:
    """Where PostgreSQL's programs are."""
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin"))
    assert found, "PostgreSQL's server is not installed: apt-get install postgresql"
    return found[-1]


def _as_postgres(command: list[str]) -> subprocess.Popen[bytes]:
    user = "postgres" if os.geteuid() == 0 else None
    return subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, user=user, cwd="/")


@contextmanager
def running_postgres() -> Iterator[Postgres]:
    """A PostgreSQL that runs while the block does, in a folder that its own user may enter."""
    with TemporaryDirectory(prefix="outlast-postgres-") as folder:
        postgres = Postgres(Path(folder))
        try:
            postgres.start()
            yield postgres
        finally:
            postgres.stop()
