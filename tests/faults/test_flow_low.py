"""A discharge line that clogs to 60 %: runs of 21 s instead of 12, seen by a whole process over a real broker."""

from __future__ import annotations

import json
import time
from contextlib import closing
from functools import partial
from pathlib import Path

import pytest

from forecaster.domain.ports import Ledger
from tests.engines import wait_until
from tests.faults.house import site_text
from tests.faults.test_processes_killed import looking, outlast
from tests.faults.test_remarks import PATIENCE_S, House
from tests.servers import Mosquitto, mosquitto

__all__ = ["mosquitto"]

SITE = site_text("""[[channels]]
quantity = "pump_running"
topic = "cellar/relay"
value = "$.on"
time = "$.t"
max_silence_s = 7200
""")
EVERY_S, CLEAN_S, CLOGGED_S = 480, 12, 21
CLEAN, CLOGGED = 60, 14
ALONE = 7
"""Of the clogged runs so many come one by one, as they would in a house."""


def run_at(start_s: int, run_s: int) -> list[tuple[str, bytes]]:
    """What a relay says of one run."""
    edges = ((start_s, True), (start_s + run_s, False))
    return [("cellar/relay", json.dumps({"on": on, "t": at_s}).encode()) for at_s, on in edges]


def told_since(ledger: Ledger, count: int, before_ms: int) -> bool:
    """Whether so many runs are known, and a forecast was made on them."""
    now_ms = int(time.time() * 1000)
    known = len(ledger.runs("larkspur", 0, now_ms + 1, 1000).runs)
    return known >= count and ledger.issued().get("larkspur", 0) > before_ms


@pytest.mark.timeout(600)
def test_a_discharge_line_that_clogs_is_told(tmp_path: Path, mosquitto: Mosquitto) -> None:
    """In: 60 runs of 12 s, then 14 of 21 s, one every eight minutes up to now: 1 - 12/21 is 43 % less (computed).
    Out: no flow-low at first; in the end one, which says to look at the discharge line and how to keep safe."""
    folder = tmp_path / "house"
    house = House(folder, mosquitto)
    (folder / "sites" / "larkspur.toml").write_text(SITE)
    first_s = int(time.time()) - (CLEAN + CLOGGED) * EVERY_S
    runs = [
        run_at(first_s + number * EVERY_S, CLEAN_S if number < CLEAN else CLOGGED_S)
        for number in range(CLEAN + CLOGGED)
    ]
    with closing(house.client), looking(folder) as (_, ledger), outlast("run", folder):
        wait_until(house.ready, "outlast run", PATIENCE_S)
        mosquitto.publish([message for run in runs[:-ALONE] for message in run])
        wait_until(partial(told_since, ledger, len(runs) - ALONE - 1, 0), "the first runs", PATIENCE_S)
        assert "flow-low" not in house.kinds()
        for number in range(len(runs) - ALONE, len(runs)):
            before_ms = ledger.issued()["larkspur"]
            mosquitto.publish(runs[number])
            wait_until(partial(told_since, ledger, number, before_ms), "the next run", PATIENCE_S)
        wait_until(lambda: "flow-low" in house.kinds(), "flow-low", PATIENCE_S)
        [alarm] = [
            one
            for one in house.client.get("/api/v1/sites/larkspur/alarms").json()["alarms"]
            if one["kind"] == "flow-low"
        ]
    assert alarm["headline"].startswith("Larkspur Lane cellar: ")
    assert "discharge" in alarm["action"]
    assert "water" in alarm["action"] or "licensed" in alarm["action"]
