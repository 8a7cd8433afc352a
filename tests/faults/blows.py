"""Blows on members that share the work: collectors and forecasters killed, paused and cut off, at random under load.

`python -m tests.faults.blows --sites 60 --each 10 --held 120` strikes ten blows of each kind, of which pauses last two
minutes and cuts one, and prints a table of how long sites went unwatched, messages in and rows out, and what was
written or told twice by an owner that came back. `--sites 10000 --rate 3000 --on-pack 10 --lost 50 --settled` does so
to as many sites as two cores can carry. The studies of the day are done and the site files carried beforehand.
"""

from __future__ import annotations

import argparse
import math
import os
import random
import signal
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import cycle, islice
from pathlib import Path
from tempfile import TemporaryDirectory

from collector.clock import SystemClock
from collector.config.settings import load_installation
from collector.editing.carrying import STATE, SiteCarrier
from tests.bench.load import study
from tests.engines import wait_until
from tests.faults.membered import PATIENCE_S, ROLES, Machine, Membered, Role, membered, under_messages
from tests.faults.written import Written

KINDS = ("killed", "paused", "cut off")
HELD = {"killed": 0.0, "paused": 1.0, "cut off": 0.5}
"""How long each lasts, beside what is asked for."""

LOOKED_AT = 5_000
"""Readings looked at in one request, when all is over."""


@dataclass(frozen=True)
class Wanted:
    """What is asked for.

    each : int — blows of each kind; held : float — how long a pause lasts, and a cut half of it [s]
    rate : float | None — messages a second; None: six a site
    on_pack : int | None — one site in so many has lost its mains from the start; None: no site has
    lost : int | None — sites that lose their mains before a blow, at most; None: all have by the last
    settled : bool — whether each blow waits until every forecast is younger than a minute
    begin_within : float — no blow is begun later than so long after the first could be [s]
    """

    sites: int
    each: int
    held: float = 120.0
    seed: int = 1
    rate: float | None = None
    on_pack: int | None = None
    lost: int | None = None
    settled: bool = False
    begin_within: float = math.inf


@dataclass(frozen=True)
class Blow:
    """What happens to one worker, and later ends: it is killed, paused, or cut off from all servers."""

    kind: str
    role: Role
    machine: Machine

    def begin(self) -> None:
        """Strike."""
        if self.kind == "cut off":
            self.machine.hold(self.role, held=True)
        else:
            self.machine.send(self.role, signal.SIGKILL if self.kind == "killed" else signal.SIGSTOP)

    def end(self) -> None:
        """Let it go on, or start it anew."""
        if self.kind == "killed":
            self.machine.start(self.role)
        elif self.kind == "paused":
            self.machine.send(self.role, signal.SIGCONT)
        else:
            self.machine.hold(self.role, held=False)


@dataclass(frozen=True)
class Struck:
    """What came of a blow.

    over_s : float — until others carried all [s]; back_s : float — from its end until all carried their part again [s]
    unwatched_s : float — age of the oldest forecast of any site meanwhile [s]
    young : float — share of looks at a site meanwhile that found a forecast younger than a minute
    """

    kind: str
    role: Role
    over_s: float
    back_s: float
    unwatched_s: float
    young: float


@dataclass(frozen=True)
class Outcome:
    """What came of all blows.

    rows, lost : rows on the server, and messages without one
    waited_s : float — longest time from a message to its row [s]
    told, twice : messages about alarms that the owner got, and of them those that came again
    untold : sites without mains of which the owner heard nothing, or not once
    restarts : workers that ended by themselves after a long cut, and were started anew as a supervisor would
    """

    struck: Sequence[Struck]
    messages: int
    rows: int
    waited_s: float
    written: Written
    went_back: int
    told: int
    twice: int
    untold: int
    restarts: int
    load: float

    @property
    def lost(self) -> int:
        """Messages without a row."""
        return self.messages - self.rows

    def whole(self) -> bool:
        """Whether nothing was lost, doubled, or written by somebody who had not the lease."""
        return not (self.lost or self.written.by_others or self.went_back or self.twice or self.untold)


def blows(machines: Sequence[Machine], each: int, dice: random.Random) -> list[Blow]:
    """So many of each kind, half of them on either role, on machines at random, in random order."""
    found = [Blow(kind, role, dice.choice(machines)) for kind in KINDS for role in islice(cycle(ROLES), each)]
    dice.shuffle(found)
    return found


def tend(machines: Sequence[Machine]) -> int:
    """Start anew what has ended by itself, as a supervisor would; how many there were."""
    ended = [(machine, role) for machine in machines for role in machine.ended()]
    for machine, role in ended:
        machine.start(role)
    return len(ended)


def strike(house: Membered, blow: Blow, held_s: float) -> tuple[Struck, int]:
    """Strike one, and wait until all carry their part again; what came of it, and how many were started anew.

    held_s : float — how long a pause lasts, and a cut half of it, but at least until others carry all [s]
    """
    others, restarts = [machine for machine in house.machines if machine is not blow.machine], 0
    house.watched.begin()

    def carried_by(*machines: Machine) -> None:
        def standing() -> bool:
            nonlocal restarts
            restarts += tend(machines)
            return house.all_by(blow.role, *machines)

        names = " and ".join(machine.folder.name for machine in machines)
        wait_until(standing, f"{blow.role} by {names}, {blow.kind}", PATIENCE_S)

    began_s = time.monotonic()
    blow.begin()
    carried_by(*others)
    over_s = time.monotonic() - began_s
    time.sleep(max(0.0, HELD[blow.kind] * held_s - over_s))
    blow.end()
    back_s = time.monotonic()
    carried_by(*house.machines)
    back_s, watched = time.monotonic() - back_s, house.watched
    young = watched.young / watched.looks if watched.looks else math.nan
    return Struck(blow.kind, blow.role, over_s, back_s, watched.worst_s, young), restarts


def waited_s(house: Membered) -> float:
    """The longest time from a message to the arrival that its row tells [s]."""
    longest_ms, cursor = 0, None
    while True:
        tail = house.store.tail(cursor, LOOKED_AT)
        longest_ms = max([longest_ms, *(one.arrived_ms - one.time_ms for one in tail.readings)])
        if len(tail.readings) < LOOKED_AT:
            return longest_ms / 1000.0
        cursor = tail.cursor


def outcome(house: Membered, struck: Sequence[Struck], restarts: int) -> Outcome:
    """What came of blows, counted once all messages have their rows and every outage was told."""
    wait_until(lambda: house.store.count() >= house.published, "all readings on the server", PATIENCE_S)
    told, outages = house.told(), house.told_of("mains-lost")
    dark = {site for number, site in enumerate(house.names) if number in house.dark}
    return Outcome(
        struck=struck,
        messages=house.published,
        rows=house.store.count(),
        waited_s=waited_s(house),
        written=house.written(),
        went_back=house.watched.went_back,
        told=told.total(),
        twice=told.total() - len(told),
        untold=sum(outages[site] != 1 for site in dark) + len(outages.keys() - dark),
        restarts=restarts,
        load=os.getloadavg()[0],
    )


def prepare(house: Membered) -> None:
    """Carry the site files, and note the studies of the day as done, as in an installation that runs."""
    clock = SystemClock()
    for machine in house.machines:
        installation = load_installation(machine.folder)
        SiteCarrier(machine.folder, house.ledger, clock, installation.own_file(STATE)).once()
    study(installation, house.ledger, clock.now_ms())


def struck_by(folder: Path, wanted: Wanted) -> Outcome:
    """Blows one after the other on two machines under messages, the mains of some sites lost before each."""
    dice, struck, restarts = random.Random(wanted.seed), list[Struck](), 0
    with membered(folder, wanted.sites, rate=wanted.rate) as house:
        prepare(house)
        house.start()
        with under_messages(house) as quiet:
            if wanted.on_pack is not None:
                house.lose_mains(*range(wanted.on_pack - 1, wanted.sites, wanted.on_pack))
            house.await_standing()
            planned, first_s = blows(house.machines, wanted.each, dice), time.monotonic()
            for number, blow in enumerate(planned):
                if wanted.settled:
                    house.await_settled()
                if time.monotonic() - first_s > wanted.begin_within:
                    break
                whole = [site for site in range(number, wanted.sites, len(planned)) if site not in house.dark]
                house.lose_mains(*whole[: wanted.lost])
                found, anew = strike(house, blow, wanted.held)
                struck.append(found)
                restarts += anew
                sys.stdout.write(f"{time.strftime('%H:%M:%S')} {number + 1} of {len(planned)}: {found}\n")
                sys.stdout.flush()
            wait_until(lambda: len(house.told_of("mains-lost")) == len(house.dark), "every outage told", PATIENCE_S)
            quiet()
        return outcome(house, struck, restarts)


def told(found: Outcome) -> str:
    """The outcome as a table and a few lines."""
    lines = [
        "worker    blow     times  others carry all, s   back, s   oldest forecast, s   younger than 60 s, %"
        "   (worst of each)"
    ]
    for role in ROLES:
        for kind in KINDS:
            some = [one for one in found.struck if (one.role, one.kind) == (role, kind)]
            if some:
                over, back, age = (max(getattr(one, f) for one in some) for f in ("over_s", "back_s", "unwatched_s"))
                times = f"{len(some):>5} {over:>20.1f} {back:>9.1f} {age:>20.1f}"
                lines.append(f"{role:<9} {kind:<8} {times} {100 * min(one.young for one in some):>22.2f}")
    w = found.written
    lines += [
        f"{found.messages} messages in, {found.rows} rows out, {found.lost} lost;"
        f" longest from a message to its row {found.waited_s:.0f} s",
        f"{w.forecasts} forecasts and {w.transitions} alarm transitions written,"
        f" {w.by_others} by somebody without the lease; {found.went_back} forecasts went back in time",
        f"{found.told} messages told, {found.twice} twice, {found.untold} outages not told once",
        f"{found.restarts} workers ended by themselves and were started anew; load average {found.load:.1f}",
    ]
    return "\n".join(lines)


def main() -> int:
    """Exit 1 where anything was lost, doubled or written without a lease."""
    parser = argparse.ArgumentParser(prog="python -m tests.faults.blows", description=__doc__)
    parser.add_argument("--sites", type=int, default=60)
    parser.add_argument("--each", type=int, default=10, help="blows of each kind")
    parser.add_argument("--held", type=float, default=120.0, help="how long a pause lasts, and a cut half of it [s]")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--rate", type=float, help="messages a second; six a site unless given")
    parser.add_argument("--on-pack", type=int, help="one site in so many has lost its mains from the start")
    parser.add_argument("--lost", type=int, help="at most so many sites lose their mains before a blow")
    parser.add_argument("--begin-within", type=float, default=math.inf, help="no blow is begun later than so long [s]")
    parser.add_argument("--settled", action="store_true", help="each blow waits until all forecasts are young")
    with TemporaryDirectory(prefix="outlast-blows-") as folder:
        found = struck_by(Path(folder), Wanted(**vars(parser.parse_args())))
    sys.stdout.write(told(found) + "\n")
    return 0 if found.whole() else 1


if __name__ == "__main__":
    sys.exit(main())
