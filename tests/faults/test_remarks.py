"""A remark of the store never mutes, and a discharge test never silences an outage: whole processes, a real broker."""

from __future__ import annotations

import json
import os
import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import httpx
import pytest

from tests.engines import free_port, wait_until
from tests.faults.house import site_text
from tests.faults.test_processes_killed import outlast
from tests.servers import Mosquitto, mosquitto

__all__ = ["mosquitto"]

PATIENCE_S = 300.0
DISK_MB, FREE_MB = 96, 50
SITE = site_text("""[[channels]]
quantity = "pump_power"
topic = "cellar/plug"
unit = "W"
[[channels]]
quantity = "pack_charge"
topic = "cellar/charge"
unit = "%"
[[channels]]
quantity = "mains_present"
topic = "cellar/mains"
""")


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Path]:
    """A disk with a little less room than the store remarks on."""
    place = tmp_path / "disk"
    place.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={DISK_MB}m", "tmpfs", str(place)], check=True)
    yield place
    subprocess.run(["umount", "-l", str(place)], check=True)


class House:
    """An installation of one site, its broker, and what it answers.

    site : str — more of the site file; settings : str — more of outlast.toml, after its [http]
    """

    def __init__(self, folder: Path, broker: Mosquitto, *, site: str = "", settings: str = "") -> None:
        self.folder, self.broker, port = folder, broker, free_port()
        (folder / "sites").mkdir(parents=True)
        (folder / "sites" / "larkspur.toml").write_text(SITE + site)
        main = f'[broker]\nurl = "{broker.url}"\n[http]\nport = {port}\n{settings}'
        (folder / "outlast.toml").write_text(main)
        self.client = httpx.Client(base_url=f"http://127.0.0.1:{port}", timeout=30.0)

    def say(self, *, mains: bool, charge: int) -> None:
        told = [("cellar/plug", "0"), ("cellar/charge", str(charge)), ("cellar/mains", str(int(mains)))]
        self.broker.publish([(topic, value.encode()) for topic, value in told])

    def ready(self) -> bool:
        try:
            return self.client.get("/readyz").status_code == 200
        except httpx.TransportError:
            return False

    def supply(self) -> str:
        answer = self.client.get("/api/v1/sites/larkspur/forecast")
        return str(answer.json().get("supply")) if answer.status_code == 200 else ""

    def kinds(self) -> set[str]:
        listed = self.client.get("/api/v1/sites/larkspur/alarms").json()["alarms"]
        return {alarm["kind"] for alarm in listed if alarm["cleared"] is None}

    def keep_saying(self, until: Callable[[], bool], what: str, *, mains: bool, charge: int) -> None:
        deadline = time.monotonic() + PATIENCE_S
        while not until():
            assert time.monotonic() < deadline, what
            self.say(mains=mains, charge=charge)
            time.sleep(1.0)


def test_an_outage_is_told_on_a_disk_that_is_nearly_full_and_no_test_silences_it(
    disk: Path, mosquitto: Mosquitto
) -> None:
    folder = disk / "house"
    folder.mkdir()
    room = os.statvfs(disk)
    (disk / "filler").write_bytes(b"\0" * (room.f_bavail * room.f_frsize - (FREE_MB << 20)))
    house = House(folder, mosquitto)
    with closing(house.client), outlast("run", folder):
        wait_until(house.ready, "outlast run", PATIENCE_S)
        house.keep_saying(lambda: house.supply() == "mains", "no forecast on mains", mains=True, charge=90)
        health = json.dumps(house.client.get("/healthz").json())
        assert "MB are free" in health
        tests = "/api/v1/sites/larkspur/discharge-tests"
        waits = house.client.post(tests, json={})
        assert waits.status_code == 201
        house.keep_saying(lambda: "mains-lost" in house.kinds(), "mains-lost was not raised", mains=False, charge=52)
        pulled = house.client.post(f"{tests}/{waits.json()['id']}/pull")
        assert pulled.status_code == 409
        assert pulled.json()["detail"].startswith("the pack carries the pump of larkspur")
        house.client.post(f"{tests}/{waits.json()['id']}/finish")
        house.keep_saying(
            lambda: house.client.get(tests).json()["tests"][0]["state"] == "finished", "it did not end",
            mains=False, charge=52,
        )  # fmt: skip
        assert house.client.post(tests, json={}).status_code == 409
        assert "mains-lost" in house.kinds()
