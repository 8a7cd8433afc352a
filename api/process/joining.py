"""A process that joins: it shares the sites with all others that join, by leases in a ledger on PostgreSQL."""

from __future__ import annotations

import logging
import os
import re
import secrets
import socket
from collections.abc import Mapping
from copy import copy
from hashlib import blake2b
from pathlib import Path

from api.deliver.outbox import planner_for
from api.deliver.secret import private_bytes
from api.http.publisher import StreamPublisher, nobody
from api.process.departing import leave_departed
from api.process.installation_state import OutsideView
from api.process.leased import LeasedTask, LeasedWork
from api.process.member import LeaseTime, MemberWorker
from api.process.parts import Part, Startable
from api.process.services import Services
from api.process.study_children import StudyChildren
from api.process.workers import once_workers
from collector.collector import Collector
from collector.config.settings import Installation
from collector.mqtt.connection import client
from collector.rendezvous import SHARES
from collector.share import Share, share_of
from collector.store.fences import LeaseFence, SitesFence
from collector.store.gathering import GatheredWrites
from collector.store.ledger import SqlLedger
from collector.weather import WeatherWorker
from forecaster.domain.errors import UsageError
from forecaster.domain.leases import Holder, Lease, MemberTold
from forecaster.live.moving import MovingForecastWorker
from forecaster.texts.catalogue import Said

log = logging.getLogger("outlast.members")

ONCE = 0
"""The number of the share that holds what an installation does once: deliveries, letters, studies."""

NAME_FILE = "member-id"
LETTERS = 40
"""Longest part of a member's name that is taken from the host's name [characters]."""


def require_joinable(installation: Installation, parts: frozenset[Part]) -> None:
    """Check that several machines can share the work of an installation. Errors: UsageError where they cannot.

    parts : frozenset[Part] — what is to be shared; studies need no broker
    """
    if not installation.shares_ledger:
        raise UsageError(Said("members.only_on_postgresql"), Said("members.set_store_ledger"))
    if any(broker.embedded for broker in installation.broker.each) and Part.STUDY not in parts:
        raise UsageError(Said("members.no_embedded_broker"), Said("members.set_broker_url"))
    if not installation.store.on_server:
        log.warning("the readings are in a file: members on other machines do not see them")


def member_name(folder: Path, place: int) -> str:
    """The name of a member, the same after a restart: a name of the folder, made once, and a number.

    folder : Path — of the installation's data
    place : int — tells apart the members of one folder
    Errors: ConfigError where the folder's name cannot be written or read.
    """
    host = re.sub(r"[^A-Za-z0-9-]", "-", socket.gethostname())[:LETTERS]
    made = f"{host}-{secrets.token_hex(3)}\n".encode("ascii")
    kept = private_bytes(folder / NAME_FILE, made).decode("ascii", errors="replace").strip()
    return f"{re.sub(r'[^A-Za-z0-9-]', '-', kept)[: 2 * LETTERS]}-{place}"


def told_of(installation: Installation) -> MemberTold:
    """What a member tells of itself."""
    described = blake2b("\n".join(sorted(installation.sites)).encode(), digest_size=8).hexdigest()
    return MemberTold(socket.gethostname(), os.getpid(), len(installation.sites), described)


def joined_workers(services: Services, parts: frozenset[Part], name: str) -> list[Startable]:
    """The workers of a process that joins, in the order in which they start: those of its part, then its member.

    parts : frozenset[Part] — the one part that the process runs
    """
    assert isinstance(services.ledger, SqlLedger)
    (part,) = parts
    time, instance = LeaseTime(), secrets.token_hex(8)
    holders: Mapping[int, Holder]
    working: list[Startable]
    if part is Part.STUDY:
        working, holders = [_study_worker(services, services.ledger)], {}
    elif part is Part.COLLECT:
        collectors = Collectors(services, services.ledger, instance, time)
        working = [collectors]
        holders = dict.fromkeys(range(1, SHARES + 1), collectors)
    else:
        forecasts = ForecastShares(services, services.ledger, instance)
        once = OnceOnly(services, services.ledger, instance, time, forecasts.worker)
        working = [forecasts.worker, once]
        holders = {ONCE: once} | dict.fromkeys(range(1, SHARES + 1), forecasts)
    member = MemberWorker(services.ledger, part.value, name, told_of(services.installation), instance, holders, time)
    return [*working, member]


def _study_worker(services: Services, ledger: SqlLedger) -> Startable:
    """Who works on the queue of studies. Errors: UsageError where the library of the queue is missing."""
    try:
        from api.process.study_worker import StudyJobsWorker  # other processes do without the library
    except ModuleNotFoundError as error:
        raise UsageError(
            Said("members.no_library_of_the_queue", error=error.name), Said("members.pip_install_postgres")
        ) from error
    return StudyJobsWorker(services, ledger, StudyChildren(services.installation.folder))


class Collectors(LeasedWork):
    """A collector for each share whose lease this process has, with a session of that share at each broker."""

    def __init__(self, services: Services, ledger: SqlLedger, instance: str, time: LeaseTime) -> None:
        super().__init__("collectors", time)
        self._services, self._ledger, self._instance = services, ledger, instance
        self._writes = GatheredWrites(services.store)
        self._first = min((share_of(site, SHARES) for site in services.installation.sites), default=1)

    def start(self) -> None:
        """Start the thread. Errors: ConfigError where the password or certificate for the broker cannot be read."""
        for broker in self._services.installation.broker.each:
            client(broker, "proof", keeps_session=False)
        super().start()

    def made(self, task: LeasedTask) -> list[Startable]:
        """The collectors of a share, one a broker, and the weather worker where one of its sites has a service."""
        services, share = self._services, Share(task.lease.share, SHARES)
        ledger = self._ledger.fenced(LeaseFence(self._instance, task.lease))
        sites = share.of(services.installation.sites)
        if not sites:
            return []
        made: list[Startable] = [
            Collector(
                services.installation, services.store, ledger, services.clock, nobody,
                share=share, place=place, leased=task.leased, prunes=share.number == self._first and place == 0,
                writes=self._writes,
            )
            for place in range(len(services.installation.broker.each))
        ]  # fmt: skip
        if any(site.weather is not None for site in sites.values()):
            made.append(WeatherWorker(sites, services.store, services.clock, nobody))
        return made


class ForecastShares:
    """The Holder that hands shares to the forecast worker, as groups of sites, and their leases to the fence."""

    def __init__(self, services: Services, ledger: SqlLedger, instance: str) -> None:
        self._sites = {number: Share(number, SHARES).of(services.installation.sites) for number in range(1, SHARES + 1)}
        self._fence = SitesFence(instance)
        self.worker = MovingForecastWorker(
            services.store, ledger.fenced(self._fence), services.clock,
            plan=planner_for(services.installation, services.ledger), outside=OutsideView(services),
            on_dropped=self._fence.drop, publisher=StreamPublisher(services.hub),
        )  # fmt: skip

    def take(self, lease: Lease) -> None:
        """Carry a share from now on."""
        self._fence.hold(lease)
        self.worker.adopt(lease.name, self._sites[lease.share])

    def let_go(self, share: int, *, lost: bool) -> None:
        """End the work on a share."""
        self.worker.let_go(_name(share), lost=lost)

    def working(self) -> frozenset[int]:
        """The shares that the worker carries, is about to carry, or has not finished letting go."""
        return frozenset(int(name.rpartition("-")[2]) for name in self.worker.working())


class OnceOnly(LeasedWork):
    """What is done once in an installation: it delivers, writes weekly letters, and has the long record studied."""

    def __init__(
        self, services: Services, ledger: SqlLedger, instance: str, time: LeaseTime, forecaster: MovingForecastWorker
    ) -> None:
        super().__init__("once", time)
        self._services, self._ledger, self._instance, self._forecaster = services, ledger, instance, forecaster

    def made(self, task: LeasedTask) -> list[Startable]:
        """Couriers, letters, figures and studies, all of which write to the ledger under the lease."""
        services = copy(self._services)
        services.ledger = self._ledger.fenced(LeaseFence(self._instance, task.lease))
        leave_departed(services)
        couriers, others = once_workers(services, self._forecaster, task.leased)
        return [couriers, *others]

    def ended(self, _task: LeasedTask, /) -> None:
        """Wake the couriers no longer: another process delivers from now on."""
        self._forecaster.on_deliveries = None


def _name(share: int) -> str:
    return Lease(Part.FORECAST.value, share, 0).name
