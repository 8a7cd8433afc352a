"""One process of an installation: starts its parts in order, watches them, and ends them in reverse order."""

from __future__ import annotations

import logging
import os
import socket
import threading
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from types import FrameType
from typing import TYPE_CHECKING

from api.http.security import is_loopback
from api.process.carrying import FileCarrier
from api.process.departing import leave_departed
from api.process.joining import joined_workers, member_name, require_joinable
from api.process.lock import InstallationLock
from api.process.parts import Part, Startable
from api.process.services import Services, open_services, require_door
from api.process.signals import signals_end
from api.process.watchdog import ENDING_LOOKS, HANGING_LOOKS, FileWatch, tell_supervisor
from api.process.workers import workers_of
from collector.config.settings import Installation, load_installation
from collector.config.signature import Signature, rest_after, signature
from collector.share import WHOLE, Share
from forecaster.domain.errors import ConfigError, OutlastError
from forecaster.domain.ports import Clock
from forecaster.domain.site import Site
from forecaster.live.lasting import spare_lasting
from forecaster.texts.catalogue import Said, words

if TYPE_CHECKING:
    from collector.mqtt.embedded import EmbeddedBroker

log = logging.getLogger("outlast")

WATCH_S = 2.0
GRACE_S = 3
LAST_S = 90.0
"""How long an end may take after a fault [s]."""
LINGER_S = 3.0
"""How long threads that hang outside may hold up the end, once all is closed [s]."""
DRAIN_S = 1.0
"""How long the end waits until the messages of the embedded broker are stored [s]."""


@dataclass(slots=True)
class Running:
    """The workers that were made from one reading of the site files."""

    workers: list[Startable]

    def start(self) -> None:
        """Start all."""
        for worker in self.workers:
            worker.start()

    def prove(self) -> None:
        """Raise OutlastError where one of them could not start."""
        from collector.collector import Collector

        for worker in self.workers:
            if isinstance(worker, Collector):
                worker.prove()

    def hand_over(self, staying: frozenset[str]) -> None:
        """Before a stop after which others begin at once: the sites that stay as they were."""
        from api.deliver.couriers import Couriers
        from api.process.member import MemberWorker

        for worker in self.workers:
            if isinstance(worker, Couriers):
                worker.hand_over(staying)
            elif isinstance(worker, MemberWorker):
                worker.hand_over()

    def stop(self, before_collecting_ends: Callable[[], None] | None = None) -> None:
        """Stop all workers at the same time; each finishes the work in hand.

        before_collecting_ends : called when all others have ended and the collector still stores messages
        """
        from collector.collector import Collector

        last = [w for w in self.workers if isinstance(w, Collector) and before_collecting_ends is not None]
        self._end([worker for worker in self.workers if worker not in last])
        if before_collecting_ends is not None:
            before_collecting_ends()
        self._end(last)

    @staticmethod
    def _end(workers: Iterable[Startable]) -> None:
        stopping = [threading.Thread(target=worker.stop, name="stopping") for worker in workers]
        for thread in stopping:
            thread.start()
        for thread in stopping:
            thread.join()


class Process:
    """Runs some parts of an installation until it is told to end.

    clock : Clock — the demo gives one that runs fast
    metrics_port : int | None — where a process that serves no API answers /metrics and the probes; None: nowhere
    joins : bool — whether it divides the sites with all others that join
    """

    def __init__(
        self,
        installation: Installation,
        parts: frozenset[Part],
        clock: Clock,
        share: Share = WHOLE,
        metrics_port: int | None = None,
        *,
        joins: bool = False,
    ) -> None:
        self.parts, self.share, self.clock, self._metrics_port = parts, share, clock, metrics_port
        if joins:
            require_joinable(installation, parts)
        elif installation.broker.more_urls and Part.COLLECT in parts:
            problem = Said("config.only_those_who_join_hear_several")
            raise ConfigError("outlast.toml", "broker.more_urls", problem, Said("config.start_it_with_join"))
        self._broker: EmbeddedBroker | None = None
        if installation.broker.embedded and Part.COLLECT in parts:
            self._broker = _broker_of(installation)
        self._lock = InstallationLock(installation.state_folder, parts, share, joins=joins)
        try:
            self._name = member_name(installation.state_folder, self._lock.place) if joins else None
            role = (
                share.named("-".join(sorted(parts))) if self._name is None else "-".join((*sorted(parts), self._name))
            )
            self.services: Services = open_services(installation, clock, owner=Part.COLLECT in parts, role=role)
        except OutlastError:
            self._lock.release()
            raise
        self._running = Running([])
        self._ending = threading.Event()
        self._failed = False
        self._door: socket.socket | None = None
        self._loops = self.services.loops
        self._files = FileWatch(installation.databases, deep=Part.COLLECT in parts and share.number == 1)
        self._seen = signature(installation.folder / "sites")
        self._watcher = threading.Thread(target=self._watch, name="watcher", daemon=True)

    # -- life
    def start(self) -> None:
        """Start broker and workers. OutlastError, and nothing runs, where one cannot start."""
        try:
            if Part.SERVE in self.parts:
                require_door(self.services)
                http = self.services.installation.http
                self._door = bound(http.host, http.port, "outlast.toml", "http.port")
            elif self._metrics_port is not None:
                require_door(self.services)
                self._door = bound(self.services.installation.http.host, self._metrics_port, "--metrics-port")
            if self._broker is not None:
                self._broker.start()
            self._start_workers()
        except OutlastError:
            self.close()
            raise
        self._watcher.start()

    def run(self, begun: Callable[[], None] | None = None) -> int:
        """Start, serve until SIGTERM, SIGINT or SIGHUP, end. Exit code: 0, or 1 where it has to be started anew.

        begun : called once all parts have started
        """
        with signals_end(self.end) as tell:
            try:
                self.start()
                tell_supervisor("READY=1")
                if begun is not None:
                    begun()
                if self._door is None:
                    self._ending.wait()
                else:
                    self._serve(self._door, tell)
            finally:
                self.close()
        code = 1 if self._failed else 0
        cut = threading.Timer(LINGER_S, os._exit, (code,))  # a look-up of a name that hangs cannot be ended
        cut.daemon = True
        cut.start()
        return code

    def end(self) -> None:
        """Ask it to end; from any thread, but no signal handler."""
        self._ending.set()
        self.services.hub.close()

    def close(self) -> None:
        """Stop everything."""
        self.end()
        tell_supervisor("STOPPING=1")
        if self._watcher.is_alive():
            self._watcher.join(10.0)
        self._running.stop(None if self._broker is None else self._drain)
        if self._broker is not None:
            self._broker.stop()
        if self._door is not None:
            self._door.close()
        self.services.close()
        self._files.close()
        self._lock.release()

    def _drain(self) -> None:
        """Store all that the embedded broker has accepted, the couriers' last messages included, before it ends."""
        if self._broker is not None and not self._broker.drain(DRAIN_S):
            log.warning("the embedded broker still held messages at the end; what it took last may be lost")

    def _serve(self, door: socket.socket, tell_end: Callable[[], None]) -> None:
        import uvicorn

        from api.http.app import create_app, create_probes
        from api.http.connections import BoundedConnection

        app = create_app(self.services) if Part.SERVE in self.parts else create_probes(self.services)
        config = uvicorn.Config(
            app, log_level="warning", access_log=False, log_config=None, timeout_graceful_shutdown=GRACE_S,
            lifespan="off", server_header=False, ws="none", http=BoundedConnection,
        )  # fmt: skip

        class Server(uvicorn.Server):
            """The HTTP server. It ends the event streams first, because an open one would delay its end."""

            def handle_exit(self, sig: int, frame: FrameType | None) -> None:
                tell_end()
                super().handle_exit(sig, frame)

        server = Server(config)

        def follow() -> None:
            self._ending.wait()
            server.should_exit = True

        closing = threading.Thread(target=follow, name="closing", daemon=True)
        closing.start()
        server.run([door])
        self.end()
        closing.join(5.0)

    # -- workers
    def _start_workers(self) -> None:
        self._take(Running(self._workers()))

    def _workers(self) -> list[Startable]:
        """The workers for the site files as they are read now."""
        carriers: list[Startable] = (
            [FileCarrier(self.services)] if not self.services.installation.ledger_url.startswith("sqlite") else []
        )
        if self._name is not None:
            return [*carriers, *joined_workers(self.services, self.parts, self._name)]
        return [*carriers, *workers_of(self.services, self.parts, self.share)]

    def _take(self, running: Running) -> None:
        if Part.FORECAST in self.parts and self.share.number == 1 and self._name is None:
            leave_departed(self.services)
        self._running = running
        self.services.workers = list(running.workers)
        running.start()
        spare_lasting()

    def _watch(self) -> None:
        """Watch the process until it ends. A fault that cannot be mended from within ends it with an exit code."""
        rest_s = WATCH_S
        try:
            while not self._ending.wait(rest_s):
                wrong = self._wrong()
                if wrong is not None:
                    self._fail(wrong)
                elif not self._loops.standing(HANGING_LOOKS):
                    tell_supervisor("WATCHDOG=1")
                began = time.thread_time()
                seen = signature(self.services.installation.folder / "sites")
                rest_s = rest_after(time.thread_time() - began, WATCH_S)
                if seen != self._seen and not self._ending.is_set():
                    self._reload(seen)
        finally:
            if not self._ending.is_set():  # a fault of the watcher's own: an unwatched process must not go on
                self._fail(words()("fault.the_watcher_ended_by_itself"))

    def _wrong(self) -> str | None:
        """Why this process cannot go on, in one line; None while it can."""
        dead = [type(worker).__name__ for worker in self._running.workers if not worker.alive()]
        if dead:
            return words()("fault.a_worker_has_ended_by_itself", names=", ".join(dead))
        self._loops.look(self._running.workers)
        hangs = self._loops.standing(ENDING_LOOKS)
        return words()("fault.a_worker_hangs", names=", ".join(hangs)) if hangs else self._files.damage()

    def _fail(self, why: str) -> None:
        """End the process with an exit code, by force where the orderly end hangs."""
        log.error("%s; this process ends, to be started anew", why)
        self._failed = True
        cut = threading.Timer(LAST_S, os._exit, (1,))
        cut.daemon = True
        cut.start()
        self.end()

    def _reload(self, seen: Signature) -> None:
        """Apply changed site files: the old workers go on until the new ones are ready."""
        before = self.services.installation
        try:
            fresh = load_installation(before.folder)
            sites = kept_on(before, fresh) | fresh.sites
            self.services.installation = replace(before, sites=sites, set_aside=fresh.set_aside)
            ready = Running([] if sites == before.sites else self._workers())
            ready.prove()
        except OutlastError as error:
            self.services.installation = before
            if str(error) != self.services.refused:
                log.error("the changed site files are not taken, it goes on with those from before: %s", error)
            self.services.refused = str(error)
            return
        self._seen, self.services.refused = seen, None
        for item in fresh.set_aside:
            log.error("set aside: %s", item)
        if not ready.workers:
            return  # a remark is new or gone, and nothing else
        log.warning("site files changed: %s", ", ".join(sites) or "none left")
        self._running.hand_over(frozenset(name for name, site in sites.items() if before.sites.get(name) == site))
        self._running.stop()
        try:
            self._take(ready)
        except OutlastError as error:
            self._fail(words()("fault.the_workers_cannot_start_again", error=str(error)))


def kept_on(before: Installation, fresh: Installation) -> dict[str, Site]:
    """Sites whose file can no longer be read: they go on unchanged, so that no typing error leaves them unwatched."""
    return {item.site: before.sites[item.site] for item in fresh.set_aside if item.whole and item.site in before.sites}


def bound(host: str, port: int, where: str, key: str = "") -> socket.socket:
    """A listening socket. ConfigError where the port is in use or the address is not of this machine.

    where, key : str — what gave the port, for the error
    """
    try:
        family = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0][0]
        door = socket.create_server((host, port), family=family, backlog=2048)
        door.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)  # what it accepts inherits it
        return door
    except OSError as error:
        problem = Said("config.cannot_be_listened_on", host=host, port=port, value=error.strerror or error)
        raise ConfigError(where, key, problem, Said("config.end_what_listens_there_or_set")) from error


def _broker_of(installation: Installation) -> EmbeddedBroker:
    """The embedded broker. ConfigError where others could publish to it without a password."""
    from collector.mqtt.embedded import EmbeddedBroker

    broker = installation.broker
    if not is_loopback(broker.listen_host) and (broker.user is None or not broker.password()):
        raise ConfigError(
            "outlast.toml", "broker.listen_host", Said("config.open_to_anybody", listen_host=broker.listen_host),
            Said("config.set_broker_username_and_broker_password"),
        )  # fmt: skip
    return EmbeddedBroker(broker.listen_host, broker.listen_port, broker.user, broker.password())
