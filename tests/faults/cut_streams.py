"""Sites whose mains comes and goes under a load of readings, and a client of the stream that is cut and killed."""

from __future__ import annotations

import json
import math
import random
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import groupby
from pathlib import Path
from typing import Any

import httpx

from forecaster.domain.ports import Ledger
from tests.engines import ROOT, free_port, wait_until
from tests.faults.house import site_text
from tests.faults.lines import Line
from tests.servers import Mosquitto

UNITS = {"pump_power": "W", "pack_charge": "%", "mains_present": None}


def site_of(number: int) -> str:
    return f"larkspur-{number}"


@dataclass
class Street:
    """Houses whose mains comes and goes at random; each says all that it measures once a second.

    off_s, on_s : the shortest and the longest time without and with mains [s]
    """

    houses: int
    off_s: tuple[float, float] = (30.0, 120.0)
    on_s: tuple[float, float] = (20.0, 150.0)
    sent: int = 0
    chance: random.Random = field(default_factory=lambda: random.Random(19))
    _mains: dict[int, bool] = field(default_factory=dict)
    _until_s: dict[int, float] = field(default_factory=dict)

    def write(self, folder: Path, broker: Mosquitto) -> int:
        """An installation of all houses. Returns the port of its API."""
        (folder / "sites").mkdir(parents=True)
        for number in range(self.houses):
            channels = [
                f'[[channels]]\nquantity = "{quantity}"\ntopic = "lane/{number}/{quantity}"\n'
                + ("" if unit is None else f'unit = "{unit}"\n')
                for quantity, unit in UNITS.items()
            ]
            text = site_text("".join(channels), site_of(number), f"Larkspur Lane {number}")
            (folder / "sites" / f"{site_of(number)}.toml").write_text(text)
        port = free_port()
        settings = f'[broker]\nurl = "{broker.url}"\nhomie = false\n[http]\nport = {port}\n'
        (folder / "outlast.toml").write_text(settings)
        return port

    def say(self, broker: Mosquitto, now_s: float) -> None:
        """What every house says at one moment."""
        said = [message for number in range(self.houses) for message in self._of_a_house(number, now_s)]
        broker.publish(said)
        self.sent += len(said)

    def mains(self, number: int, there: bool) -> None:
        """From now on a house has its mains, or has lost it."""
        self._mains[number], self._until_s[number] = there, math.inf

    def _of_a_house(self, number: int, now_s: float) -> Iterator[tuple[str, bytes]]:
        if now_s >= self._until_s.get(number, 0.0):
            mains = not self._mains[number] if number in self._mains else True
            self._mains[number] = mains
            self._until_s[number] = now_s + self.chance.uniform(*(self.on_s if mains else self.off_s))
        power = 480.0 if (now_s + 13 * number) % 90.0 < 10.0 else 0.0
        values = {"pump_power": power, "pack_charge": 100.0, "mains_present": int(self._mains[number])}
        yield from ((f"lane/{number}/{quantity}", str(value).encode()) for quantity, value in values.items())


@dataclass
class Reader:
    """The handbook's program that may be stopped at any time, as a process, with what it prints in a file.

    kills : int — how often it was killed and started anew
    """

    program: str
    folder: Path
    kills: int = 0
    process: subprocess.Popen[bytes] | None = None

    @property
    def printed(self) -> Path:
        return self.folder / "printed"

    def start(self) -> None:
        with self.printed.open("ab") as out:
            words = [sys.executable, "-c", self.program]
            env = {"PYTHONPATH": str(ROOT), "PATH": "/usr/bin:/bin"}
            self.process = subprocess.Popen(words, cwd=self.folder, stdout=out, env=env)

    def kill(self) -> None:
        """kill -9, at whatever moment; a line that was cut in its middle is none."""
        assert self.process is not None
        assert self.process.poll() is None, "the reader ended by itself"
        self.process.kill()
        self.process.wait(60)
        whole = self.printed.read_bytes()
        self.printed.write_bytes(whole[: whole.rfind(b"\n") + 1])
        self.kills += 1

    def end(self) -> None:
        """Whatever it does: it is there no more."""
        if self.process is not None:
            self.process.kill()
            self.process.wait(60)

    def heard(self) -> list[tuple[str, dict[str, Any]]]:
        """The events, as (kind, document), in their order."""
        return [(kind, data) for kind, data in map(json.loads, self.printed.read_text().splitlines())]


def blows(reader: Reader, line: Line, chance: random.Random) -> None:
    """The line is cut, or the reader is killed and started anew, or both."""
    which = chance.choice(("cut", "kill", "both"))
    if which != "kill":
        line.cut()
    if which != "cut":
        reader.kill()
        reader.start()


def said_until(street: Street, broker: Mosquitto, done: Callable[[], bool], what: str) -> None:
    """The houses speak once a second until something is so."""

    def looked() -> bool:
        street.say(broker, time.monotonic())
        time.sleep(1.0)
        return done()

    wait_until(looked, what, 900.0)


def supplies(documents: Sequence[Mapping[str, Any]]) -> list[str]:
    """Who carries the pump, in turn, from forecasts in the order of their issue; repeats count once."""
    ordered = sorted(documents, key=lambda document: str(document["issued_at"]))
    return [supply for supply, _ in groupby(str(document["supply"]) for document in ordered)]


def carried(ledger: Ledger, site: str) -> list[str]:
    """Who has carried the pump of a site, in turn, by its kept forecasts."""
    return supplies([json.loads(stored.document) for stored in ledger.forecasts(site, 0, 2**53, limit=100_000)])


@dataclass(frozen=True)
class Compared:
    """What the ledger has beside what the reader heard."""

    transitions: int
    missed_transitions: frozenset[str]
    changes: int
    missed_changes: Mapping[str, tuple[list[str], list[str]]]
    states: int


def compared(ledger: Ledger, heard: Sequence[tuple[str, dict[str, Any]]], houses: int) -> Compared:
    """Every transition of an alarm, and every change of the supply, in the ledger against those heard."""
    first = heard[0][1]["sites"]
    told = {f"{data['id']}:{data['revision']}" for kind, data in heard if kind == "alarm"}
    told |= {f"{alarm['id']}:{alarm['revision']}" for one in first for alarm in one["alarms"]}
    known: set[str] = set()
    wrong: dict[str, tuple[list[str], list[str]]] = {}
    changes = 0
    for site in map(site_of, range(houses)):
        known |= {transition.key for transition in ledger.transitions(site, 0, 2**53, limit=100_000)}
        documents = [data for kind, data in heard if kind == "forecast" and data["site"] == site]
        documents += [one["forecast"] for one in first if one["site"] == site and one["forecast"] is not None]
        wanted, found = carried(ledger, site), supplies(documents)
        changes += len(wanted) - 1
        if wanted != found:
            wrong[site] = (wanted, found)
    states = sum(kind == "state" for kind, _ in heard)
    return Compared(len(known), frozenset(known - told), changes, wrong, states)


def under_load(
    street: Street,
    broker: Mosquitto,
    reader: Reader,
    line: Line,
    seconds: float,
    every_s: tuple[float, float],
    enough: Callable[[], bool],
) -> None:
    """The houses speak for so long, and on until enough has happened, while blows fall on the reader and its line."""
    begun_s = time.monotonic()
    next_s = begun_s + street.chance.uniform(*every_s)
    turn = 0
    while (now_s := time.monotonic()) < begun_s + seconds or not enough():
        street.say(broker, now_s)
        if now_s >= next_s:
            blows(reader, line, street.chance)
            next_s = now_s + street.chance.uniform(*every_s)
        turn += 1
        time.sleep(max(0.0, begun_s + turn - time.monotonic()))


def settled(port: int, reader: Reader) -> None:
    """Wait until the reader has what was the newest alarm and the newest forecast of every site shortly before.

    Asked for after looking at what the reader has, of some of many sites a newer forecast would always be there.
    """

    def there() -> bool:
        with httpx.Client(base_url=f"http://127.0.0.1:{port}/api/v1/", timeout=60.0) as client:
            alarms = client.get("alarms", params={"limit": 1}).json()["alarms"]
            sites = [one["id"] for one in client.get("sites").json()["sites"]]
            issued = [client.get(f"sites/{site}/forecast").json()["issued_at"] for site in sites]
        heard = reader.printed.read_text()
        return all(f'"changed": "{alarm["changed"]}"' in heard for alarm in alarms) and all(
            f'"issued_at": "{at}"' in heard for at in issued
        )

    wait_until(there, "the newest events at the reader", 300.0)
