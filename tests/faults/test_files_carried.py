"""Two machines that serve one installation, each from its own folder: real processes on one PostgreSQL."""

from __future__ import annotations

import json
import os
import time
from collections.abc import Iterator, Mapping
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

import httpx
import pytest

from tests.collector.examples import LARKSPUR
from tests.engines import free_port, running_postgres, wait_until
from tests.faults.test_processes_killed import outlast


@dataclass
class Machine:
    """A folder with its file of Larkspur Lane, and the address of its pages."""

    folder: Path
    port: int

    @property
    def path(self) -> Path:
        return self.folder / "sites" / "larkspur.toml"

    @property
    def text(self) -> str:
        return self.path.read_text(encoding="utf-8")

    def api(self, method: str, path: str, patch: Mapping[str, str] | None = None) -> httpx.Response:
        url = f"http://127.0.0.1:{self.port}/api/v1/sites/larkspur{path}"
        return httpx.request(method, url, timeout=60, json=patch, headers={"If-Match": "*"})

    def served(self) -> str:
        """The name of the house as this machine serves it; "" while it does not answer."""
        try:
            answer = self.api("GET", "")
        except httpx.HTTPError:
            return ""
        return str(answer.json()["name"]) if answer.status_code == 200 else ""


@pytest.fixture
def pair(tmp_path: Path) -> Iterator[tuple[Machine, Machine]]:
    machines = tuple(Machine(tmp_path / name, free_port()) for name in ("attic", "garage"))
    with running_postgres() as postgres, ExitStack() as running:
        ledger = postgres.empty_database("carried")
        for machine in machines:
            (machine.folder / "sites").mkdir(parents=True)
            (machine.folder / "outlast.toml").write_text(
                f'[broker]\nurl = "mqtt://127.0.0.1:1"\n[store]\nledger = "{ledger}"\n[http]\nport = {machine.port}\n'
            )
            machine.path.write_text(LARKSPUR)
            running.enter_context(outlast("serve", machine.folder))
        wait_until(lambda: all(machine.served() for machine in machines), "outlast serve")
        yield machines[0], machines[1]
        running.close()


def test_changes_reach_the_other_machine_and_are_taken_back_there(pair: tuple[Machine, Machine]) -> None:
    """In: a change over HTTP on one, one by hand on the other, and one of the same line on both. Out: as they came."""
    attic, garage = pair
    changed = attic.api("PATCH", "/file", {"name": "Lower cellar"})
    assert changed.status_code == 200, changed.text
    wait_until(lambda: garage.served() == "Lower cellar", "the change on the other machine")
    assert garage.text == attic.text
    garage.path.write_text(garage.text.replace("capacity_wh = 1024", "capacity_wh = 2048"))
    wait_until(lambda: "capacity_wh = 2048" in attic.text, "the change by hand")
    edits = attic.api("GET", "/edits").json()["edits"]
    assert [edit["part"] for edit in edits] == ["by-hand", "house"]
    undone = garage.api("POST", f"/edits/{edits[1]['id']}/undo")
    assert undone.status_code == 200, undone.text
    wait_until(lambda: attic.served() == "Larkspur Lane cellar", "the undo on the first machine")
    assert attic.text == garage.text == LARKSPUR.replace("capacity_wh = 1024", "capacity_wh = 2048")

    assert attic.api("PATCH", "/file", {"name": "By the attic"}).status_code == 200
    later = garage.text.replace("Larkspur Lane cellar", "By hand, later")
    garage.path.write_text(later)
    ahead_s = time.time() + 60
    os.utime(garage.path, (ahead_s, ahead_s))
    wait_until(lambda: attic.served() == "By hand, later", "the later change")
    wait_until(lambda: attic.text == garage.text, "one text on both")
    told = json.dumps([edit["difference"] for edit in attic.api("GET", "/edits").json()["edits"]])
    assert "By the attic" in told
    assert "By hand, later" in told
