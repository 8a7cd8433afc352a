"""Brokers and lines that fail in the ways they do: in, stored, twice, lost, and the memory it took. Real processes."""

from __future__ import annotations

import json
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.api.process.houses import PATIENCE_S, House, house
from tests.engines import ROOT, wait_until
from tests.faults.lines import Line, line_to
from tests.servers import Mosquitto, mosquitto

__all__ = ["mosquitto"]

pytestmark = pytest.mark.timeout(900)

LIMIT_MB = 400.0
SITES = 4


@pytest.fixture
def line(mosquitto: Mosquitto) -> Iterator[Line]:
    with line_to(mosquitto.port) as made:
        yield made


@pytest.fixture
def one(tmp_path: Path, mosquitto: Mosquitto, line: Line) -> Iterator[House]:
    """An installation that reaches its broker over the line."""
    with house(tmp_path / "house", mosquitto, SITES) as made:
        made.write("", line.url)
        yield made


def all_stored(one: House, count: int) -> None:
    wait_until(lambda: one.stored() >= count, f"{count} rows", PATIENCE_S)
    assert one.stored() == count
    assert one.ended() is None
    sys.stdout.write(f"{count} in, {count} stored, at most {one.peak_mb():.0f} MB\n")
    assert one.peak_mb() < LIMIT_MB


def connected(one: House) -> None:
    """The collector's session stands and has its filters."""
    wait_until(lambda: "outlast_connected 1" in text(one, "/metrics"), "the session", PATIENCE_S)
    one.publish(SITES)
    wait_until(lambda: one.stored() == one.sent, "the first rows", PATIENCE_S)


def text(one: House, path: str) -> str:
    answer = one.get(path)
    return "" if answer is None else answer.text


@pytest.mark.parametrize("seconds", [4, pytest.param(60, marks=pytest.mark.long)])
def test_a_broker_that_flaps_each_second(one: House, line: Line, seconds: int) -> None:
    """In: 100 messages a second to the broker while the line is cut once a second. Out: all, once; ready all along."""
    one.start()
    connected(one)
    for _ in range(seconds):
        one.publish(100)
        line.cut()
        time.sleep(1.0)
        assert one.status("/livez") == 200
    all_stored(one, one.sent)


def test_a_broker_that_accepts_and_never_answers(one: House, line: Line) -> None:
    """In: 50 messages behind a broker that is mute. Out: alive and told meanwhile, 50 rows once it answers."""
    line.mute = True
    one.start()
    wait_until(lambda: "does not answer" in str(one.health()["says"]), "the mute broker to be told", PATIENCE_S)
    assert one.health()["status"] == "degraded"
    assert one.status("/livez") == 200
    line.mute = False
    line.cut()
    connected(one)
    one.publish(50)
    all_stored(one, one.sent)


def test_a_line_that_swallows_what_is_said(one: House, line: Line) -> None:
    """In: 50 messages while the line is half open. Out: noticed by the keepalive, told, 50 rows on the next line."""
    settings = one.folder / "outlast.toml"
    settings.write_text(settings.read_text().replace("[store]", "keepalive_s = 5\n[store]"))
    one.start()
    connected(one)
    line.swallows = True
    one.publish(50)
    wait_until(lambda: "outlast_connected 0" in text(one, "/metrics"), "the dead line to be noticed", PATIENCE_S)
    line.cut()
    line.swallows = False
    all_stored(one, one.sent)


def test_five_thousand_retained_messages_at_the_start(one: House, mosquitto: Mosquitto) -> None:
    """In: 5,000 retained, 4 of them with a time of its own, the others of unknown age. Out: 4 rows, then live ones."""
    site = "fleet/cellar-00000"
    file = one.folder / "sites" / "cellar-00000.toml"
    file.write_text(file.read_text().replace(f"{site}/plug", f"{site}/+"))
    before_ms = 1_789_999_000_000  # as with live ones, which are from a later time
    many = [(f"{site}/{number:05d}", json.dumps({"power": 1.0}).encode()) for number in range(5_000 - SITES)]
    timed = [
        (f"fleet/cellar-{n:05d}/plug", json.dumps({"power": 2.0, "time": before_ms}).encode()) for n in range(SITES)
    ]
    mosquitto.publish([*many, *timed], retain=True)
    one.start()
    wait_until(lambda: one.stored() == SITES, "the four", PATIENCE_S)
    one.publish(20)
    wait_until(lambda: one.stored() == SITES + 20, "the live ones", PATIENCE_S)
    assert one.status("/readyz") == 200
    sys.stdout.write(f"5,020 in, {SITES + 20} stored, at most {one.peak_mb():.0f} MB\n")
    assert one.peak_mb() < LIMIT_MB


@pytest.mark.parametrize("seconds", [1, pytest.param(60, marks=pytest.mark.long)])
def test_twenty_thousand_messages_a_second(one: House, mosquitto: Mosquitto, seconds: int) -> None:
    """In: 20,000 messages a second at QoS 1, all of them wanted. Out: every one, once, and below 400 MB."""
    one.start()
    connected(one)
    words = [sys.executable, "-m", "tests.faults.flood", str(mosquitto.port), "20000", str(seconds), str(SITES), "1"]
    done = subprocess.run(words, cwd=ROOT, capture_output=True, text=True, timeout=PATIENCE_S * 2, check=True)
    wait_until(lambda: one.status("/livez") == 200, "an answer in the flood", PATIENCE_S)
    all_stored(one, one.sent + int(done.stdout.split()[0]))
