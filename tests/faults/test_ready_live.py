"""Before you leave, and whom nobody can tell, by commands on a running house; machines and readers get no names."""

from __future__ import annotations

import json
import subprocess
import sys
import time
from contextlib import closing
from pathlib import Path

import httpx
import pytest

from api.http.keyring import new_token
from collector.clock import SystemClock
from forecaster.domain.runs import Outage
from forecaster.domain.times import DAY_MS, HOUR_MS
from tests.api.delivering import Receiver, listening
from tests.api.mosquitto import Hub
from tests.bench.load import CALL
from tests.engines import ROOT, wait_until
from tests.faults.test_processes_killed import looking, outlast
from tests.faults.test_remarks import PATIENCE_S, House
from tests.servers import Mosquitto, mosquitto

__all__ = ["mosquitto"]

NAMES = ("Robin Ownerly", "Sam Nextdoor", "+1 555 0142", "sam@example.org")
READ = (
    "/metrics", "/healthz", "/api/v1/alarms", "/api/v1/alarms/{alarm}", "/api/v1/sites/larkspur",
    "/api/v1/sites/larkspur/ready", "/sites/larkspur", "/sites/larkspur/alarms", "/sites/larkspur/leaving",
)  # fmt: skip
"""What a token that may only read is shown."""

PEOPLE = """[[contacts]]
name = "Robin Ownerly"
phone = "+1 555 0142"
webhook = "{hook}"
[[contacts]]
name = "Sam Nextdoor"
email = "sam@example.org"
"""


class Asked:
    """A command, asked beside the running house, which goes on saying how it is."""

    def __init__(self, house: House, *words: str, mains: bool = True, charge: int = 97) -> None:
        call = [sys.executable, "-c", CALL, *words, "--config", str(house.folder)]
        self.process = subprocess.Popen(call, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
        house.keep_saying(lambda: self.process.poll() is not None, f"{words} did not end", mains=mains, charge=charge)
        self.said, self.complaint = self.process.communicate()
        self.code = self.process.returncode

    def line(self, part: str) -> str:
        [found] = [line for line in self.said.splitlines() if part in line]
        return found


@pytest.mark.timeout(900)
def test_ready_says_each_line_and_fails_for_musts_alone(tmp_path: Path, mosquitto: Mosquitto) -> None:
    folder = tmp_path / "house"
    with listening(Receiver()) as receiver:
        house = House(folder, mosquitto, site=PEOPLE.format(hook=receiver.url))
        hub = Hub(mosquitto.port, "outlast/#", "homie/#")
        with closing(house.client), looking(folder) as (_, ledger), outlast("run", folder):
            wait_until(house.ready, "outlast run", PATIENCE_S)
            house.keep_saying(lambda: house.supply() == "mains", "no forecast on mains", mains=True, charge=97)
            now_ms = int(time.time() * 1000)
            ledger.record([Outage("larkspur", now_ms - 9 * DAY_MS, now_ms - 9 * DAY_MS + 3 * HOUR_MS, inferred=False)])

            before = Asked(house, "ready", "larkspur")
            assert before.code == 1
            assert before.line("Nobody has answered").startswith("NOT HELD   must")
            assert before.line("Sam Nextdoor cannot be told").startswith("NOT HELD         ")
            assert before.line("No high-water float").startswith("not fitted")
            assert "Not ready: a must is not held." in before.said

            checked = Asked(house, "check", "--seconds", "10")
            assert checked.code == 1
            assert "NOT TOLD larkspur: Sam Nextdoor cannot be told by mail" in checked.said
            tried = Asked(house, "alarms", "test", "--site", "larkspur", "--json")
            assert tried.code == 1
            results = {one["channel"]: one["result"] for one in json.loads(tried.said)["results"]}
            assert results["webhook"] == "sent"
            assert results["mail"].startswith("not told: Sam Nextdoor cannot be told by mail")

            after = Asked(house, "ready", "larkspur")  # the webhook's 2xx counts as an answer
            assert (after.code, after.complaint) == (0, "")
            for must in ("Somebody can be told", "has carried the pump", "The pack is charged", "The clock is right"):
                assert after.line(must).startswith("held       must"), must
            assert after.line("Sam Nextdoor cannot be told").startswith("NOT HELD         ")
            house.keep_saying(lambda: "mains-lost" in house.kinds(), "mains-lost", mains=False, charge=40)
            [alarm] = [
                one for one in house.client.get("/api/v1/alarms").json()["alarms"] if one["kind"] == "mains-lost"
            ]
            seen = Asked(house, "alarms", "acknowledge", alarm["id"], "--by", "Sam Nextdoor", mains=False, charge=40)
            assert seen.code == 0, seen.complaint
            wait_until(lambda: acknowledged(house, alarm["id"]), "the acknowledgement", PATIENCE_S)
            topic = "outlast/larkspur/alarm/mains-lost"
            wait_until(lambda: b"acknowledged" in hub.now.get(topic, b""), "the hub", PATIENCE_S)
            _, secret = new_token(ledger, SystemClock(), "reader", "read", None)
            reader = {"authorization": f"Bearer {secret}"}
            shown = [house.client.get(path.format(alarm=alarm["id"]), headers=reader) for path in READ]
        hub.close()
    assert [answer.status_code for answer in shown] == [200] * len(READ)
    for name in NAMES:
        assert [topic for topic, body in hub.all if name.encode() in body] == []
        assert [str(answer.url) for answer in shown if name in answer.text] == []


def acknowledged(house: House, alarm_id: str) -> bool:
    answer = house.client.get(f"/api/v1/alarms/{alarm_id}")
    return answer.status_code == httpx.codes.OK and answer.json()["state"] == "acknowledged"
