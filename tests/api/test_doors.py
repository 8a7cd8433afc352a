"""Every example of the handbook's page of doors, typed in order against a running house, and what it prints."""

from __future__ import annotations

import json
import re
import signal
import subprocess
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import httpx
import pytest

from api.cli import COMMANDS
from forecaster.twin.live import LiveSite, Scenario
from tests.api.serving import LOOPBACK
from tests.api.typed import TYPED, Block, Place, blocks, pattern
from tests.engines import ROOT, free_port, running_influx, wait_until
from tests.house.reference import pages, routes
from tests.servers import Mosquitto, running_mosquitto

PATIENCE_S = 600.0
HISTORY_H, LOST_H = 4.0, 1.5
DOORS = "doors.md"
ELSEWHERE = {
    "http.md": "its Python by tests/api/client/test_client.py and tests/faults/test_cut_streams.py",
    "trip.md": "doors.md has the same command on days to come",
    "zoo.md": "tests/api/offline/test_score_command.py: the whole zoo takes an hour",
}
"""Pages whose blocks are not typed here, and where the same is run."""


COMMANDS_ELSEWHERE = {
    "demo": "./deploy/demo of the README, by tests/api/test_readme.py",
    "simulate": "tests/api/test_start_up.py",
    "score": "tests/api/offline/test_score_command.py",
}
"""Commands that take minutes, and where they are run."""


class Cellar:
    """A simulated cellar that speaks up to the present: hours of history at once, then second by second.

    mute : str — a topic that it leaves to whoever types the examples
    """

    def __init__(self, broker: Mosquitto, prefix: str, fail_after_h: float, seed: int, mute: str = "") -> None:
        self._broker, self._prefix, self._mute = broker, prefix, mute
        start_ms = round((time.time() - (HISTORY_H + LOST_H) * 3600.0) * 1000.0)
        scenario = Scenario(fail_after_s=fail_after_h * 3600.0, outage_h=30.0)
        self._live = LiveSite(seed=seed, start_ms=start_ms, scenario=scenario)

    def speak(self) -> None:
        """Everything up to now."""
        said = self._live.step(time.time() - self._live.now_ms / 1000.0)
        self._broker.publish([(self._prefix + m.topic, m.payload) for m in said if m.topic != self._mute])


@contextmanager
def speaking(cellars: Sequence[Cellar]) -> Iterator[None]:
    """Cellars that speak once a second while the block runs."""
    ended = threading.Event()

    def speak() -> None:
        while not ended.wait(1.0):
            for cellar in cellars:
                cellar.speak()

    thread = threading.Thread(target=speak)
    thread.start()
    try:
        yield
    finally:
        ended.set()
        thread.join(60)


@contextmanager
def running(place: Place, block: Block) -> Iterator[None]:
    """The command that does not end by itself, as long as the block runs; it ends well by ctrl-C."""
    words = [str(place.folder / "bin" / "outlast"), *block.text.split()[1:]]
    log, greeting = place.folder / "run.log", place.folder / "greeting.txt"
    with log.open("wb") as err, greeting.open("wb") as out:
        process = subprocess.Popen(words, cwd=place.folder, stdout=out, stderr=err, env={"PYTHONPATH": str(ROOT)})
    try:
        wait_until(lambda: lives(place) or process.poll() is not None, "the house", PATIENCE_S)
        assert process.poll() is None, log.read_text()
        yield
        process.send_signal(signal.SIGINT)
        assert process.wait(PATIENCE_S) == 0, log.read_text()
        assert all(json.loads(line)["level"] for line in log.read_text().splitlines()), "each line of the log is JSON"
    finally:
        process.kill()
        process.wait()


def lives(place: Place) -> bool:
    try:
        return httpx.get(place.here(f"{LOOPBACK}/livez"), timeout=30.0).status_code == 200
    except httpx.TransportError:
        return False


def mains_lost(place: Place) -> bool:
    """Whether the alarm of the outage stands."""
    return bool(httpx.get(place.here(f"{LOOPBACK}/api/v1/alarms?kind=mains-lost"), timeout=60.0).json()["alarms"])


def otherwise(place: Place, some: Sequence[Block]) -> list[str]:
    """Type the blocks in their order. Returns what is printed otherwise than the page tells."""
    found = []
    for block in some:
        said, code = place.typed(block)
        if code or not pattern(block.printed or "").fullmatch(said):
            found.append(f"{block.where} ends with {code} and prints:\n{said}")
    return found


def unasked(place: Place) -> list[str]:
    """The routes of the API that no example has asked."""
    described = re.findall(r"^\| `(\w+) (\S+)` \|", routes(), re.MULTILINE)
    asked = place.asked()
    return [
        f"{method} {route}"
        for method, route in described
        if not any(method == told and re.fullmatch(re.sub(r"\{\w+\}", "[^/]+", route), path) for told, path in asked)
    ]


@pytest.mark.slow
@pytest.mark.timeout(3600)
def test_every_example_does_what_the_page_says(tmp_path: Path) -> None:
    some = [block for block in blocks(DOORS) if block.kind in TYPED or block.file is not None]
    (at,) = [place for place, block in enumerate(some) if block.endless]
    with running_mosquitto(tmp_path / "mosquitto") as broker, running_influx(tmp_path) as influx:
        hook = free_port()
        ours = {
            "127.0.0.1:8642": f"127.0.0.1:{(port := free_port())}", "port = 8642": f"port = {port}",
            "127.0.0.1:1883": f"127.0.0.1:{broker.port}", "-p 1883": f"-p {broker.port}",
            "127.0.0.1:8086": f"127.0.0.1:{influx.port}", "127.0.0.1:8087": f"127.0.0.1:{influx.proxy_port}",
            "127.0.0.1:9101": f"127.0.0.1:{(one := free_port())}", "port 9101": f"port {one}",
            "127.0.0.1:9102": f"127.0.0.1:{(two := free_port())}", "port 9102": f"port {two}",
            "in 9101 9102 8642": f"in {one} {two} {port}",
            "127.0.0.1:9090": f"127.0.0.1:{free_port()}",
            "127.0.0.1:9000": f"127.0.0.1:{hook}", '"127.0.0.1", 9000': f'"127.0.0.1", {hook}',
        }  # fmt: skip
        folder = tmp_path / "place"
        folder.mkdir()
        place = Place(folder, ours)
        place.prepare()
        wrong = otherwise(place, some[:at])
        with running(place, some[at]):
            cellars = (
                Cellar(broker, "", HISTORY_H, 7),
                Cellar(broker, "nine/", 90.0, 8, mute="cellar/alarm-float/high_water"),
            )
            for cellar in cellars:
                cellar.speak()
            wait_until(lambda: mains_lost(place), "the alarm", PATIENCE_S)
            with speaking(cellars):
                wrong += otherwise(place, some[at + 1 :])
        wrong += [f"no example asks {route}" for route in unasked(place)]
    assert not wrong, "\n".join(wrong)


def test_every_command_is_typed_in_an_example() -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    typed = "\n".join(block.text for block in blocks(DOORS) if block.kind == "sh")
    found = set(re.findall(r"\boutlast ([a-z]+)", typed)) | set(re.findall(r"^outlast ([a-z]+)", readme, re.MULTILINE))
    assert set(COMMANDS) - found == set(COMMANDS_ELSEWHERE)


def test_what_is_typed_elsewhere_is_named() -> None:
    """A page with something to type is typed here, or it is said where that is run."""
    with_blocks = {name for name, _ in pages() if any(block.kind in TYPED for block in blocks(name))}
    assert with_blocks == {DOORS, *ELSEWHERE}
