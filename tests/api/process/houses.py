"""Whole processes of an installation, and what is asked of them."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import httpx
import pytest

from collector.store.open import open_store
from tests.bench.fleet import message, write_fleet
from tests.bench.load import CALL
from tests.engines import ROOT, free_port, wait_until
from tests.servers import Mosquitto

PATIENCE_S = 240.0


@dataclass
class House:
    """An installation in a folder, and the process over it."""

    folder: Path
    broker: Mosquitto
    sites: int = 1
    port: int = field(default_factory=free_port)
    process: subprocess.Popen[bytes] | None = None
    sent: int = 0

    @property
    def base(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    @property
    def log(self) -> Path:
        return self.folder.parent / f"{self.folder.name}.log"

    def write(self, more: str = "", broker_url: str | None = None) -> None:
        """Site files, and outlast.toml with further lines.

        broker_url : str | None — where the program finds its broker, where that is not where it is
        """
        write_fleet(self.folder, self.sites, broker_url or self.broker.url, "sqlite:///outlast.db")
        settings = self.folder / "outlast.toml"
        settings.write_text(f"{settings.read_text()}[http]\nport = {self.port}\n{more}")

    def start(self, command: str = "run", prefix: Sequence[str] = (), **more: str) -> subprocess.Popen[bytes]:
        """Start it and wait until it answers."""
        self.process = self.spawn(command, prefix, **more)
        if command != "run":
            return self.process
        wait_until(lambda: self.status("/livez") is not None or self.ended() is not None, "the process", PATIENCE_S)
        assert self.ended() is None, self.log.read_text()
        return self.process

    def spawn(
        self, command: str, prefix: Sequence[str] = (), options: Sequence[str] = (), **more: str
    ) -> subprocess.Popen[bytes]:
        words = [*prefix, sys.executable, "-c", CALL, command, "--config", str(self.folder), *options]
        with self.log.open("ab") as log:
            return subprocess.Popen(words, cwd=ROOT, stdout=log, stderr=log, env={**os.environ, **more})

    def ended(self) -> int | None:
        """Its exit code; None while it runs."""
        assert self.process is not None
        return self.process.poll()

    def stop(self) -> None:
        if self.process is not None and self.process.poll() is None:
            self.process.send_signal(signal.SIGTERM)
            self.process.wait(PATIENCE_S)

    def kill(self) -> None:
        if self.process is not None and self.process.poll() is None:
            self.process.kill()
            self.process.wait(PATIENCE_S)

    def get(self, path: str) -> httpx.Response | None:
        """An answer; None where nobody answers."""
        try:
            return httpx.get(f"{self.base}{path}", timeout=PATIENCE_S)
        except httpx.HTTPError:
            return None

    def status(self, path: str) -> int | None:
        answer = self.get(path)
        return None if answer is None else answer.status_code

    def peak_mb(self) -> float:
        """The most memory that the process has held so far (VmHWM of proc(5))."""
        assert self.process is not None
        status = Path(f"/proc/{self.process.pid}/status").read_text()
        return int(status.partition("VmHWM:")[2].split()[0]) / 1024.0

    def health(self) -> dict[str, Any]:
        answer = self.get("/healthz")
        found: dict[str, Any] = {} if answer is None else answer.json()
        return found

    def publish(self, count: int) -> None:
        """Messages of all sites in turn, none of them sent before."""
        first, self.sent = self.sent, self.sent + count
        begun_ms = 1_790_000_000_000
        self.broker.publish([message(n % self.sites, n // self.sites, begun_ms + n) for n in range(first, self.sent)])

    def rows(self, site: str = "cellar-00000") -> int:
        """Readings that the API tells of a site's pump power and charge."""
        found = 0
        for quantity in ("pump_power", "pack_charge"):
            answer = httpx.get(
                f"{self.base}/api/v1/sites/{site}/readings",
                params={"quantity": quantity, "from": "2026-01-01T00:00:00Z", "to": "2030-01-01T00:00:00Z"},
                timeout=PATIENCE_S,
            )
            found += sum(point["count"] for point in answer.json()["points"])
        return found

    def stored(self) -> int:
        """Rows of the store; each message makes one, and no time is sent twice."""
        with closing(open_store(f"sqlite:///{self.folder / 'outlast.db'}", owner=False)) as store:
            return store.count()


@contextmanager
def house(folder: Path, broker: Mosquitto, sites: int = 1) -> Iterator[House]:
    """An installation; whatever runs over it is killed at the end."""
    made = House(folder, broker, sites)
    try:
        yield made
    finally:
        made.kill()


@pytest.fixture
def one(tmp_path: Path, mosquitto: Mosquitto) -> Iterator[House]:
    """An installation that is written, and not started."""
    with house(tmp_path / "house", mosquitto) as made:
        made.write()
        yield made
