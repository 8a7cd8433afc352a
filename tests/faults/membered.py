"""Several machines of one installation as processes that join, under messages all the while, with counts at the end."""

from __future__ import annotations

import math
import os
import signal
import subprocess
import sys
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, closing, contextmanager
from dataclasses import astuple, dataclass, field
from pathlib import Path

import msgspec

from collector.clock import SystemClock
from collector.config.settings import load_installation
from collector.rendezvous import SHARES
from collector.share import share_of
from collector.store.ledger import SqlLedger
from collector.store.open import open_ledger, open_readings
from forecaster.domain.leases import MemberSeen
from forecaster.domain.ports import ReadingStore
from tests.api.delivering import Receiver, listening
from tests.bench.fleet import site_id, write_fleet
from tests.bench.parts import CALL
from tests.engines import ROOT, Postgres, running_influx, running_postgres, wait_until
from tests.faults.relays import Relays
from tests.faults.speaking import Speaker, Speech
from tests.faults.written import Written, note_writes, written
from tests.servers import Mosquitto, running_mosquitto

PATIENCE_S = 300.0
"""How long a busy machine may take for any one step."""

MORE = """[[channels]]
quantity = "mains_present"
topic = "fleet/{id}/mains"
value = "$.mains"
time = "$.time"
[[contacts]]
name = "owner"
webhook = "{hook}"
"""

AUTOSAVE = 1_000_000
"""The broker writes its queue as it ends, not every 200 changes: all of it each time would hold up the publisher."""

A_SITE = 6.0
"""Messages a second of each site, where no other rate is asked for."""

LOOK_S, A_LOOK = 0.5, 5_000
"""Time from one look at the ages of all forecasts to the next [s], and a second more for so many sites."""

Role = str
"""The command of a worker."""

YOUNG_S = 60.0
"""No look is to find an older forecast [s]."""

ROLES: tuple[Role, ...] = ("collect", "forecast")


@dataclass
class Ports:
    """Where the servers are: the broker, PostgreSQL, and InfluxDB behind its proxy."""

    broker: int
    postgres: int
    influx: int

    def settings(self, machine: str) -> dict[str, str]:
        """The addresses as variables of the environment; PostgreSQL is told which machine it is."""
        ledger = f"postgresql+psycopg://postgres@127.0.0.1:{self.postgres}/postgres?application_name={machine}"
        return {
            "OUTLAST_BROKER__URL": f"mqtt://127.0.0.1:{self.broker}",
            "OUTLAST_STORE__URL": f"influx+http://127.0.0.1:{self.influx}/outlast",
            "OUTLAST_STORE__LEDGER": ledger,
        }


@dataclass
class Machine:
    """A folder with the configuration, and the workers that run from it.

    servers : Ports | None — where each worker has lines of its own to; None: it goes to those in its settings
    """

    folder: Path
    servers: Ports | None = None
    running: dict[Role, subprocess.Popen[bytes]] = field(default_factory=dict)
    relays: dict[Role, Relays] = field(default_factory=dict)

    def start(self, role: Role) -> None:
        """`outlast ROLE --join`."""
        words = [sys.executable, "-c", CALL, role, "--config", str(self.folder), "--join"]
        environment = os.environ | self._over_lines(role)
        with (self.folder / f"{role}.log").open("ab") as log:
            self.running[role] = subprocess.Popen(words, cwd=ROOT, stdout=log, stderr=log, env=environment)

    def _over_lines(self, role: Role) -> dict[str, str]:
        if self.servers is None:
            return {}
        if role not in self.relays:
            self.relays[role] = Relays(astuple(self.servers))
        return Ports(*self.relays[role].ports).settings(self.folder.name)

    def hold(self, role: Role, *, held: bool) -> None:
        """Cut a worker off from all servers, or let pass again what was sent meanwhile and what comes."""
        self.relays[role].hold(held=held)

    def send(self, role: Role, what: signal.Signals) -> None:
        """Send a worker a signal; one that is killed is waited for."""
        self.running[role].send_signal(what)
        if what in (signal.SIGKILL, signal.SIGTERM):
            self.running.pop(role).wait(PATIENCE_S)

    def ended(self) -> list[Role]:
        """The workers that have ended by themselves."""
        return [role for role, process in self.running.items() if process.poll() is not None]

    def end(self) -> None:
        """Kill what runs, paused or not."""
        for role in list(self.running):
            self.send(role, signal.SIGKILL)
        for relays in self.relays.values():
            relays.close()

    def said(self, role: Role) -> str:
        """The log of a worker."""
        return (self.folder / f"{role}.log").read_text(errors="replace")

    @property
    def name(self) -> str:
        """The name of its members: each role has one here."""
        file = self.folder / "outbox" / "member-id"
        return f"{file.read_text().strip()}-1" if file.exists() else ""


@dataclass
class Watched:
    """How old the newest forecast of any site was at worst [s], and how often one had gone back in time.

    looks, young : how many forecasts were looked at, and of them those younger than YOUNG_S
    """

    worst_s: float = 0.0
    looks: int = 0
    young: int = 0
    went_back: int = 0
    newest: dict[str, int] = field(default_factory=dict)

    def begin(self) -> None:
        """Count ages anew."""
        self.worst_s, self.looks, self.young = 0.0, 0, 0

    def look(self, ledger: SqlLedger) -> None:
        """Look at all sites once."""
        issued, now_ms = ledger.issued(), time.time() * 1000.0
        ages_s = [(now_ms - at_ms) / 1000.0 for at_ms in issued.values()]
        self.worst_s = max([self.worst_s, *ages_s])
        self.looks += len(ages_s)
        self.young += sum(age_s < YOUNG_S for age_s in ages_s)
        self.went_back += sum(at_ms < self.newest.get(site, 0) for site, at_ms in issued.items())
        self.newest |= issued

    def oldest_s(self) -> float:
        """The age of the oldest forecast, of those seen [s]; inf before any was."""
        return time.time() - min(self.newest.values(), default=-math.inf) / 1000.0


@dataclass
class Membered:
    """Broker, servers, two machines, what is published, and what came of it.

    rate : float — messages a second; published : int — messages that the broker has taken, once all is quiet
    """

    sites: int
    rate: float
    broker: Mosquitto
    postgres: Postgres
    machines: tuple[Machine, ...]
    ledger: SqlLedger
    store: ReadingStore
    receiver: Receiver
    dark: dict[int, float] = field(default_factory=dict)
    published: int = 0
    speaker: Speaker | None = None
    watched: Watched = field(default_factory=Watched)
    ending: threading.Event = field(default_factory=threading.Event)

    @property
    def names(self) -> list[str]:
        """The sites, in the order of their numbers."""
        return [site_id(number) for number in range(self.sites)]

    def lose_mains(self, *numbers: int) -> None:
        """The mains fail at the numbered sites."""
        since_s = dict.fromkeys(numbers, time.time())
        self.dark |= since_s
        assert self.speaker is not None
        self.speaker.lose_mains(since_s)

    def start(self) -> None:
        """Start a collector and a forecaster on every machine."""
        for machine in self.machines:
            for role in ROLES:
                machine.start(role)

    def await_standing(self) -> None:
        """Wait until every machine has its part of both roles, and every site a forecast."""
        for role in ROLES:
            self.await_all_by(role, *self.machines)
        wait_until(lambda: len(self.watched.newest) == self.sites, "a forecast of every site", PATIENCE_S)

    def await_settled(self) -> None:
        """Wait until every forecast is younger than a minute: what a start or a blow left old is over."""
        wait_until(lambda: self.watched.oldest_s() < YOUNG_S, f"forecasts younger than {YOUNG_S:.0f} s", PATIENCE_S)

    def await_subscribed(self) -> None:
        """Wait until the broker keeps what comes for every site: before that nobody has asked it to."""
        shares = {share_of(site_id(number), SHARES) for number in range(self.sites)}
        notes = {f"filters:load-{share}-{SHARES}" for share in shares}
        wait_until(lambda: notes <= self.ledger.notes("filters").keys(), "the collectors", PATIENCE_S)

    def watch(self) -> None:
        """Look at the ages of all forecasts, until told to end; from when every site has one."""
        each_s = LOOK_S + self.sites / A_LOOK
        while len(self.ledger.issued()) < self.sites and not self.ending.wait(each_s):
            pass
        while not self.ending.wait(each_s):
            self.watched.look(self.ledger)

    def carried(self, role: Role) -> dict[str, int]:
        """How many shares each member of a role has."""
        return {one.name: len(one.shares) for one in self.members(role) if one.shares}

    def shares(self, role: Role, name: str) -> frozenset[int]:
        """The shares of a role that a member has."""
        return frozenset(share for one in self.members(role) if one.name == name for share in one.shares)

    def members(self, role: Role) -> list[MemberSeen]:
        """The members of a role."""
        return [one for one in self.ledger.members() if one.role == role]

    def all_by(self, role: Role, *machines: Machine) -> bool:
        """Whether these machines carry all shares of a role, each of them some, and nobody else any."""
        found = self.carried(role)
        whole = SHARES + (role == "forecast")
        return set(found) == {machine.name for machine in machines} and sum(found.values()) == whole

    def await_all_by(self, role: Role, *machines: Machine) -> None:
        """Wait until it is so."""
        names = " and ".join(machine.folder.name for machine in machines)
        wait_until(lambda: self.all_by(role, *machines), f"{role} by {names}", PATIENCE_S)

    def written(self) -> Written:
        """What was written into the ledger, and by whom."""
        return written(self.ledger, {machine.name: machine.folder.name for machine in self.machines})

    def told(self) -> Counter[str]:
        """How often each message came to the receiver: by its key."""
        return Counter(self.receiver.keys())

    def told_of(self, kind: str) -> Counter[str]:
        """How often the owner was told that an alarm of this kind was raised: by site."""
        bodies = [msgspec.json.decode(one.body) for one in self.receiver.heard]
        return Counter(body["site"] for body in bodies if body["kind"] == kind and body["transition"] == "raised")


@contextmanager
def membered(
    folder: Path, sites: int, names: Sequence[str] = ("attic", "garage"), rate: float | None = None
) -> Iterator[Membered]:
    """Machines of an installation with so many sites; nothing runs on them yet.

    rate : float | None — messages a second of all sites; None: A_SITE of each
    """
    with ExitStack() as stack:
        receiver = stack.enter_context(listening(Receiver()))
        broker = stack.enter_context(running_mosquitto(folder / "broker", autosave=AUTOSAVE))
        postgres = stack.enter_context(running_postgres())
        (folder / "influx").mkdir()
        influx = stack.enter_context(running_influx(folder / "influx"))
        servers = Ports(broker.port, postgres.port, influx.proxy_port)
        machines = tuple(Machine(folder / name, servers) for name in names)
        for machine in machines:
            write_fleet(machine.folder, sites, broker.url, f"{influx.url}/outlast")
            with (machine.folder / "outlast.toml").open("a") as settings:
                settings.write(f'ledger = "{postgres.url}"\n')
            for number in range(sites):
                with (machine.folder / "sites" / f"{site_id(number)}.toml").open("a") as file:
                    file.write(MORE.format(id=site_id(number), hook=receiver.url))
            stack.callback(machine.end)
        installation = load_installation(machines[0].folder)
        ledger = stack.enter_context(closing(open_ledger(installation.ledger_url)))
        assert isinstance(ledger, SqlLedger)
        store = stack.enter_context(
            closing(open_readings(installation, ledger, SystemClock(), role="look", owner=False))
        )
        note_writes(ledger)
        yield Membered(sites, rate or A_SITE * sites, broker, postgres, machines, ledger, store, receiver)


@contextmanager
def under_messages(house: Membered) -> Iterator[Callable[[], None]]:
    """All sites speak, and their forecasts are watched, until the block ends; gives what ends the messages early."""
    house.await_subscribed()
    house.speaker = speaker = Speaker(Speech(house.broker.port, house.sites, house.rate))
    watching = threading.Thread(target=house.watch)
    watching.start()

    def quiet() -> None:
        try:
            house.published = speaker.quiet()
        finally:
            house.ending.set()
            watching.join()

    try:
        yield quiet
    finally:
        quiet()
